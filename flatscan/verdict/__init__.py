"""Within, outside or undecided, one criterion at a time, by the rules of methods/decision 1."""

from flatscan.verdict.criteria import (
    OUTSIDE,
    UNDECIDED,
    WITHIN,
    Criterion,
    CurvePoint,
    Verdict,
    conformance,
    coverage_factor,
    decide,
    single,
    together,
)
from flatscan.verdict.flatness import cannot_be_within, flatness, what_would_decide, with_hand
from flatscan.verdict.judging import Judged, Measured, judge, verdict_of

__all__ = [
    "OUTSIDE",
    "UNDECIDED",
    "WITHIN",
    "Criterion",
    "CurvePoint",
    "Judged",
    "Measured",
    "Verdict",
    "cannot_be_within",
    "conformance",
    "coverage_factor",
    "decide",
    "flatness",
    "judge",
    "single",
    "together",
    "verdict_of",
    "what_would_decide",
    "with_hand",
]

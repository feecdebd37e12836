"""Within, outside or undecided, one criterion at a time, by the rules of METHODS 3d."""

from flatscan.verdict.criteria import (
    OUTSIDE,
    UNDECIDED,
    WITHIN,
    Criterion,
    CurvePoint,
    Verdict,
    coverage_factor,
    decide,
    plumb,
    single,
    together,
)
from flatscan.verdict.flatness import cannot_be_within, flatness, what_would_decide
from flatscan.verdict.hand import with_hand
from flatscan.verdict.judging import Judged, judge, judge_by

__all__ = [
    "OUTSIDE",
    "UNDECIDED",
    "WITHIN",
    "Criterion",
    "CurvePoint",
    "Judged",
    "Verdict",
    "cannot_be_within",
    "coverage_factor",
    "decide",
    "flatness",
    "judge",
    "judge_by",
    "plumb",
    "single",
    "together",
    "what_would_decide",
    "with_hand",
]

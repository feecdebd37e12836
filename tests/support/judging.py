"""Verdicts on hand-made gaps, steps and leans: each limit as an entry without a name."""

from flatscan.core.quantity import Quantity
from flatscan.jobs.checking import flatness_for
from flatscan.standards import Tolerance
from flatscan.straightedge.lips import lips
from flatscan.straightedge.sweeping import Sweeps
from flatscan.verdict import Judged, Measured, Verdict, coverage_factor, verdict_of
from flatscan.verdict import judge as judge_entry


def judge(
    *,
    gaps=None,
    limit=None,
    relief=None,
    lean=None,
    height=None,
    plumb_limit=None,
    step=None,
    step_limit=None,
    corner=None,
    corner_limit=None,
    confidence=0.95,
) -> Verdict:
    """Judge what was measured by every limit given."""
    leaning = None if lean is None or height is None else lean.scaled(height)
    asked = (
        ("flatness", limit, Measured(sweeps=() if gaps is None else (gaps,))),
        ("plumb", plumb_limit, Measured(quantity=leaning, over=height)),
        ("step", step_limit, Measured(step=step)),
        ("corner", corner_limit, Measured(quantity=corner, over=0.6)),
    )
    rule = 1.8 if gaps is None else gaps.rule
    method = "resting" if gaps is None else gaps.method
    return verdict_of(
        [
            judge_entry(Tolerance.entered(criterion, bound, rule, method), measured, relief, confidence=confidence)
            for criterion, bound, measured in asked
            if bound is not None
        ],
        confidence=confidence,
    )


class ByEntry:
    """A verdict by one published entry, and the sweep whose figures belong beside it."""

    def __init__(self, judged: Judged, confidence: float) -> None:
        self.verdict, self.gaps = verdict_of([judged], confidence=confidence), judged.gaps


def judge_by(
    entry,
    relief,
    *,
    unsmoothed=None,
    lean=None,
    height=None,
    measured=None,
    over=None,
    directions=None,
    confidence=0.95,
) -> ByEntry:
    """Measure what an entry speaks of on a relief, and judge it."""
    sweeps = Sweeps(relief, coverage_factor(confidence))
    if entry.criterion == "flatness":
        found = flatness_for(entry, sweeps, directions)
    elif entry.criterion == "step":
        found = Measured(step=lips(relief, within=entry.lengths[0], k=sweeps.k))
    elif entry.criterion == "plumb":
        found = Measured(quantity=None if lean is None else Quantity(lean.value, lean.u).scaled(height), over=height)
    else:
        found = Measured(quantity=measured, over=over)
    return ByEntry(judge_entry(entry, found, relief, confidence=confidence), confidence)


def in_words(verdict) -> str:
    """The decision with each criterion named, such as "flatness within; plumb not judged"."""
    said = [f"{criterion.name} {criterion.decision}" for criterion in verdict.criteria]
    return "; ".join(said + [f"{name} not judged" for name in verdict.not_judged])

"""No decision from points that mostly repeat each other: their scatter does not tell how far they are off."""

from __future__ import annotations

from dataclasses import replace

from flatscan.core.independence import Independence
from flatscan.core.model import Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import share, square_metres
from flatscan.verdict.criteria import UNDECIDED, Criterion

# what rests on the points' own scatter; a lean or a corner is as sure as the capture's own vertical and form
_RESTS_ON_POINTS = ("flatness", "step")
# advice that more of the same points would follow
_MOOT = frozenset({"verdict.times-the-points", "verdict.far-more-points", "verdict.more-points-a-cell"})
_STRAIGHTEDGE = "verdict.straightedge-would"


def without_repeats(found: Criterion, relief: Relief | None) -> Criterion:
    """The criterion undecided, with the reason first, where its relief's points share most of their variance."""
    shown = None if relief is None else relief.independence
    if shown is None or not shown.undecided or found.judges not in _RESTS_ON_POINTS:
        return found
    kept = tuple(one for one in found.reasons if one.code not in _MOOT) if found.decision == UNDECIDED else ()
    last = tuple(one for one in kept if one.code == _STRAIGHTEDGE) or (note(_STRAIGHTEDGE),)
    others = tuple(one for one in kept if one.code != _STRAIGHTEDGE)
    reasons = (_reason(shown), *others, note("verdict.raw-scan-would"), *last)
    return replace(found, decision=UNDECIDED, reasons=reasons)


def _reason(shown: Independence) -> Note:
    stand_for = max(1, round(shown.independent))
    return note("verdict.points-repeat", shared=share(shown.shared), area=square_metres(1.0), independent=stand_for)

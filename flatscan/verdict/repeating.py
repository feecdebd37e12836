"""No decision from what cannot carry one: points that mostly repeat each other, a tie that hardly holds a place."""

from __future__ import annotations

from dataclasses import replace

from flatscan.core.independence import Independence
from flatscan.core.model import Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import share, square_metres
from flatscan.verdict.criteria import OUTSIDE, UNDECIDED, Criterion

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


def without_loose_tie(found: Criterion, relief: Relief | None) -> Criterion:
    """The criterion undecided where it is outside at a place whose tied error is larger than the limit itself.

    What readings leave open is known least where it is largest: of walls under a drift of another kind than any that
    is weighed, some were called outside there (methods/tie 11).
    """
    loose = relief is not None and relief.common.tied and found.u is not None and found.u > found.limit
    if not loose or found.decision != OUTSIDE or found.judges != "flatness":
        return found
    return replace(found, decision=UNDECIDED, reasons=(note("verdict.loose-tie"), note(_STRAIGHTEDGE)))

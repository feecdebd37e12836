"""What is known of a scan's error before its readings, and which warps they leave open.

A posterior on a grid of shapes, lengths and sizes: what is stated, times what the scan has room for, times the
restricted likelihood of the readings (Patterson and Thompson, Biometrika 58, 1971; Stein, Interpolation of Spatial
Data, 1999, 6.4; Rasmussen and Williams 2006, 5.2 on summing over a grid where few numbers are open).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.model import Wall
from flatscan.core.notes import note
from flatscan.core.quantity import metres
from flatscan.core.reliefs import Grid
from flatscan.core.warp import CommonError
from flatscan.relief.members import Member, kept, members_of
from flatscan.relief.scan_shows import Shown, Uneven
from flatscan.relief.slips import FOLLOWED, SLIP_SIZE, LeftOut, left_out
from flatscan.relief.sweep_seams import seams
from flatscan.relief.tie_places import Differences
from flatscan.relief.tied import TiedError, mixed
from flatscan.relief.trend import Trend, plane
from flatscan.relief.warps import CHORD, Warps, warps_like

# a laser is set up by eye: how far off and how turned it stands to the wall is all but free [m, m per m]
_FREE_OFFSET, _FREE_SLOPE = 10.0, 0.1
# fewer readings tell neither a slip from a warp nor how large the warp is
_FEWEST = 6


@dataclass(frozen=True, eq=False)
class Before:
    """What is known before the readings: the warp as stated and those it leaves open, the laser's own bend, the rest.

    ``stated`` [m] is what the stated warp puts on the middle of 2 m.
    """

    warp: CommonError
    warps: Warps
    shown: Shown
    uneven: Uneven | None
    laser: CommonError
    trend: Trend
    box: Array

    @property
    def stated(self) -> float:
        """What the stated warp puts on the middle of 2 m [m]."""
        return float(self.warp.u_gap(np.array(CHORD / 2), np.array(CHORD / 2)))


def warps_of(relief: Grid) -> Warps:
    """The warps that a scan may have, by what is stated of it and what it shows itself."""
    warps, nowhere = warps_like(relief.common, size_known=True), np.empty((0, 2))
    found = seams(relief)
    box = np.array([relief.x[0], relief.y[0], relief.x[-1], relief.y[-1]])
    members = members_of(warps, nowhere, np.empty((0, 0)), plane(box, np.ones(3)), np.empty(0))
    return warps.but(Shown.of(relief, warps, found, nowhere).log_likelihood(members, None)).possible()


def before_readings(
    relief: Grid, wall: Wall, apart: Differences, laser: CommonError, u_laser_lean: float
) -> tuple[Before, Supposed, bool]:
    """What is known before the readings, that none of them is a slip, and whether they tell plumb.

    They do where they tell it better than the scan's own gravity does. Then gravity has no say, so that the same wall
    comes out however the phone was held.
    """
    box = np.array([relief.x[0], relief.y[0], relief.x[-1], relief.y[-1]])
    found, warps = seams(relief), warps_like(relief.common, size_known=len(apart.u) < _FEWEST)
    free = Before(
        relief.common,
        warps,
        Shown.of(relief, warps, found, apart.places),
        Uneven.of(apart.places, apart.scan - apart.difference, apart.u),
        laser,
        plane(box, np.array([_FREE_OFFSET, _FREE_SLOPE, _FREE_SLOPE]), found),
        box,
    )
    gravity = wall.plumb.u_lean
    sound = _supposed(free, apart, (), 0.0)
    u_lean = after(free, apart, (sound,))[0].u_slope_up()
    if gravity is None or np.hypot(u_lean, u_laser_lean) <= gravity:
        return free, sound, True
    held = np.array([_FREE_OFFSET, _FREE_SLOPE, np.hypot(gravity, u_laser_lean)])
    before = replace(free, trend=plane(box, held, found))
    return before, _supposed(before, apart, (), 0.0), False


def _members(before: Before, apart: Differences) -> tuple[Member, ...]:
    noise = before.laser.covariance(apart.places, apart.places) + np.diag(apart.u**2)
    return members_of(before.warps, apart.places, noise, before.trend, apart.difference)


def log_weights(before: Before, apart: Differences) -> tuple[tuple[Member, ...], Array]:
    """Every shape of warp after the readings, and the logs of the weights (K, F) of each at each size."""
    members = _members(before, apart)
    likelihood = np.stack([one.log_likelihood() for one in members])
    return members, before.warps.but(likelihood + before.shown.log_likelihood(members, before.uneven)).log_weights


def log_evidence(before: Before, apart: Differences, sound: Supposed | None = None) -> float:
    """Log-likelihood of the differences, all warps weighed as they are before them.

    ``sound`` is the supposition that none of these is a slip, where it is known.
    """
    members = _members(before, apart) if sound is None else sound.members
    same = np.linalg.slogdet(before.laser.covariance(apart.places, apart.places) + np.diag(apart.u**2))[1]
    every = np.log(np.maximum(before.warps.weights, 1e-300)) + np.stack([one.log_likelihood() for one in members])
    return float(every.max() + np.log(np.exp(every - every.max()).sum()) - same / 2)


@dataclass(frozen=True, eq=False)
class Supposed:
    """One supposition of which readings are ``slips``, with how likely it is, in logs, and what follows from it."""

    slips: tuple[int, ...]
    log_weight: float
    members: tuple[Member, ...]
    logs: Array
    rest: LeftOut


def suppositions(before: Before, apart: Differences, sound: Supposed) -> tuple[Supposed, ...]:
    """That none of the readings is a slip (``sound``), and that this one or that is; the likeliest first.

    With 6 readings or more, and at most one slip in eight.
    """
    many = len(apart.u)
    found, best = [sound], sound
    seen: set[tuple[int, ...]] = {()}
    for _ in range(max(1, many // 8) if many >= _FEWEST else 0):
        for i in np.flatnonzero(best.rest.log_odds > np.log(FOLLOWED)):
            slips = tuple(sorted({*best.slips, int(i)}))
            if int(i) not in best.slips and slips not in seen:
                seen.add(slips)
                found.append(_supposed(before, apart, slips, best.log_weight + float(best.rest.log_odds[i])))
        likelier = max(found, key=lambda one: one.log_weight)
        if likelier is best:
            break
        best = likelier
    return tuple(sorted(found, key=lambda one: -one.log_weight))


def _supposed(before: Before, apart: Differences, slips: tuple[int, ...], log_weight: float) -> Supposed:
    wide = np.isin(np.arange(len(apart.u)), slips)
    members, logs = log_weights(before, replace(apart, u=np.where(wide, np.hypot(apart.u, SLIP_SIZE), apart.u)))
    rest = left_out(members, logs)
    # what to expect of a slip were it none
    u = np.where(wide, np.sqrt(np.maximum(rest.u**2 - SLIP_SIZE**2, apart.u**2)), rest.u)
    return Supposed(slips, log_weight, members, logs, replace(rest, u=u))


def after(before: Before, apart: Differences, supposed: tuple[Supposed, ...]) -> tuple[TiedError, Warps]:
    """The error that readings leave, and which warps they leave open."""
    # within each supposition in all its weight
    logs = np.stack([one.logs - _log_sum(one.logs) + one.log_weight for one in supposed])
    logs -= logs.max()
    warps = replace(before.warps, log_weights=np.log(np.maximum(np.exp(logs).sum(axis=0), 1e-300)))
    low, high = warps.lengths()
    by = note(
        "relief.by-readings",
        count=len(apart.u),
        warp=metres(0.0, warps.chord()),
        over=metres(CHORD),
        low=metres(low),
        high=metres(high),
        by=before.warp.source,
    )
    members = tuple(member for one in supposed for member in one.members)
    return mixed(
        kept(members, np.exp(logs).reshape(-1, logs.shape[-1])),
        before.trend,
        apart.places,
        before.box,
        length=float(np.sqrt(low * high)),
        scale=before.warp.scale,
        source=by,
    ), warps


def _log_sum(logs: Array) -> float:
    return float(logs.max() + np.log(np.exp(logs - logs.max()).sum()))

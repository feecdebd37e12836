"""Limits that follow the distance between the contacts: one sweep for each stair of the limit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from flatscan.core.model import Relief
from flatscan.core.reliefs import Grid
from flatscan.straightedge.bounds import lower_bound
from flatscan.straightedge.gaps import Gap, Gaps
from flatscan.straightedge.laying import Laying, lay_out
from flatscan.straightedge.lines import directions_of
from flatscan.straightedge.sweeping import sweep


@dataclass(frozen=True, slots=True, eq=False)
class Stair:
    """Contacts from ``start`` to under ``stop`` [m] apart have one ``limit`` [m]; ``gaps`` is the sweep up to there.

    The sweep holds shorter distances too. Their limit is no larger, so a gap over this limit is over its own as well,
    and a wall exceeds the limit exactly if it does on one stair.
    """

    start: float
    stop: float
    limit: float
    gaps: Gaps


def largest_distance(relief: Relief) -> float:
    """Diagonal of the relief [m]: no two contacts stand further apart."""
    return math.hypot(float(np.ptp(relief.x)), float(np.ptp(relief.y))) + 1e-6


def sweep_stairs(
    relief: Relief,
    stairs: Sequence[tuple[float, float, float]],
    *,
    directions: Sequence[float] | None = None,
    k: float = 1.645,
    workers: int | None = None,
) -> tuple[tuple[Stair, ...], float | None]:
    """Sweep every stair (start, stop, limit) [m] of a limit that rises with the distance between the contacts.

    Returns the stairs that the cells are fine enough for and the selection-corrected lower bound [m] of the largest
    excess over the limit, None where it cannot be formed. All stairs are one choice in that bound.
    """
    longest = largest_distance(relief)
    done, layings = [], list[tuple[Laying, float, Gap | None]]()
    turns = directions_of(directions)
    for start, stop, limit in stairs:
        rule = min(stop - 1e-6, longest)
        if start >= longest or rule < max(2 * relief.step, 1e-3):
            continue
        gaps = sweep(relief, rule, directions=directions, k=k, bounded=False, workers=workers)
        done.append(Stair(start, stop, limit, gaps))
        if isinstance(relief, Grid):
            layings.append((lay_out(relief, rule, turns, k, "resting", workers), limit, gaps.worst))
    if layings:
        return tuple(done), lower_bound(layings)[0]
    excess = [stair.gaps.lower - stair.limit for stair in done if stair.gaps.lower is not None]
    # stations: each stair has its own quantile of errors, so the stairs share the error probability no further
    return tuple(done), max(excess, default=None)

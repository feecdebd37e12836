"""After ruling off: which ridges are shaved, and what is left under the straightedge then."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.model import Relief
from flatscan.jobs.changed import changed
from flatscan.jobs.results import Lows, LowsByHand, Seen
from flatscan.jobs.seeing import Capture, look, see, swept
from flatscan.jobs.settings import Capturing, Finishing, Progress, Requirement, silent
from flatscan.plan.cutting import Cut
from flatscan.plan.hollows import without_proud
from flatscan.plan.lows import LIMIT as LOW_LIMIT
from flatscan.plan.lows import by_hand, filling, read_hand_readings
from flatscan.plan.ridges import shave as shave_off
from flatscan.straightedge.sweeping import deepest_at

# cells lie on these lines themselves
ALONG_AND_UP = (0.0, 90.0)


def lows(
    source: Capture | Seen,
    how: Capturing,
    requirement: Requirement,
    limit: float = LOW_LIMIT,
    progress: Progress = silent,
    shave: Sequence[Cut] = (),
) -> Lows:
    """After ruling off: its high ridges, and where the wall is under the straightedge by more than ``limit`` [m] then.

    ``shave`` are the ridges that are going to be shaved; all that are found without it.
    """
    return lows_seen(see(source, how, progress), requirement, limit, progress, shave)


def lows_seen(
    seen: Seen,
    requirement: Requirement,
    limit: float = LOW_LIMIT,
    progress: Progress = silent,
    shave: Sequence[Cut] = (),
) -> Lows:
    """`lows` of a wall already seen."""
    looked = look(seen, requirement, progress)
    gaps = swept(looked, requirement, progress)
    shaved = shave_off(looked.relief, shave, limit=limit)
    left, flush = gaps_left(shaved.relief, requirement)
    found = filling(shaved.relief, left, limit=limit, fill=flush)
    settings = (*changed(seen.how), *changed(replace(requirement, limit=limit), Requirement(limit=LOW_LIMIT)))
    looked = replace(looked, notes=(*found.notes, *looked.notes), settings=settings)
    return looked.extended(
        Lows,
        gaps=gaps,
        lows=found.lows,
        ridges=shaved.ridges,
        limit=limit,
        where=found.where,
        waste=Finishing().material.waste,
        doubtful=found.doubtful,
    )


def gaps_left(relief: Relief, requirement: Requirement) -> tuple[Array, Array]:
    """The deepest gaps (rows, cols) [m] of all directions, and those along and up alone, which fill each cell flush.

    What a straightedge finds only because it rests on something proud is left out of both.
    """
    flat = replace(relief, offset=without_proud(relief))
    walls = (relief,) if np.array_equal(flat.offset, relief.offset, equal_nan=True) else (relief, flat)
    least: list[Array] = []
    for directions in (requirement.directions, ALONG_AND_UP if relief.known_between else requirement.directions):
        maps = [deepest_at(wall, requirement.rule, directions) for wall in walls]
        least.append(np.minimum.reduce(maps))
    return least[0], least[1]


def lows_by_hand(
    path: str | Path, limit: float = LOW_LIMIT, width: float | None = None, height: float | None = None
) -> LowsByHand:
    """Lows out of a file of straightedge readings on a wall of a ``width`` and ``height`` [m] where they are known.

    Raises `BadTable` for what the file breaks, also a place off the wall, and `ReadError` for no file.
    """
    readings, doubts = read_hand_readings(path, width, height)
    digest = hashlib.sha256(Path(path).read_bytes()).hexdigest()
    found, left_out = by_hand(readings, limit=limit)
    return LowsByHand(Path(path).name, digest, len(readings), limit, found, (*doubts, *left_out))

"""Runs of deep stations that nobody named: a chase for pipes or cables, which is filled first and is no bad wall."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from flatscan.core.geometry import SAME_STATION, Array, Mask
from flatscan.core.holes import LIKELY, Opening
from flatscan.core.model import Wall
from flatscan.core.notes import Note, Place, note
from flatscan.core.quantity import metres

# how wide a chase is taken that one line of stations shows, and its relative u: 50 to 150 mm (common practice)
WIDTH, U_WIDTH = 0.100, 0.3
# how many stations in a line make a chase, and how much deeper than both sides each is [m] [setting]
_LEAST_RUN, _DEEPER = 3, 0.015
# and so many times what stations otherwise stray from the middle of both sides [setting]
_TIMES = 4.0


@dataclass(frozen=True, slots=True)
class Chase:
    """A chase that a run of stations shows: where it would lie, and what is to be said of it."""

    place: Opening
    said: Note


def likely_chases(x: Array, y: Array, offset: Array, wall: Wall, accepted: Sequence[Place]) -> tuple[Chase, ...]:
    """Runs of three and more stations up or along, one station wide, each clearly deeper than both its sides.

    Stations (n,) [m] are those on the wall; those ``accepted`` as wall belong to no chase.
    """
    plain = ~_near(x, y, accepted)
    found = []
    for upright in (True, False):
        across, along = (x, y) if upright else (y, x)
        sides = _beside(across, along, offset)
        off = sides - offset
        known = np.isfinite(off)
        if known.sum() < _LEAST_RUN:
            continue
        # what stations stray otherwise, the deep ones being few
        usual = 1.4826 * float(np.median(np.abs(off[known])))
        deep = plain & known & (np.nan_to_num(off) > max(_DEEPER, _TIMES * usual))
        for run in _runs(across, along, deep):
            found.append(_chase(across, along, off, run, wall, upright=upright))
    return tuple(found)


def _near(x: Array, y: Array, places: Sequence[Place]) -> Mask:
    near = np.zeros(len(x), dtype=bool)
    for at in places:
        near |= np.hypot(x - at[0], y - at[1]) <= SAME_STATION
    return near


def _beside(across: Array, along: Array, offset: Array) -> Array:
    """The nearer wall to both sides (n,): the lower of what stands left and right in a station's line, NaN without."""
    sides = np.full(len(across), np.nan)
    for line in np.unique(np.round(along, 3)):
        here = np.flatnonzero(np.abs(along - line) < 1e-3)
        here = here[np.argsort(across[here])]
        if len(here) >= 3:
            sides[here[1:-1]] = np.minimum(offset[here[:-2]], offset[here[2:]])
    return sides


def _runs(across: Array, along: Array, deep: Mask) -> Iterator[np.ndarray]:
    """Numbers of neighbouring deep stations of one line, three and more, in their order."""
    for line in np.unique(np.round(across, 3)):
        here = np.flatnonzero(np.abs(across - line) < 1e-3)
        here = here[np.argsort(along[here])]
        start = 0
        for end in range(len(here) + 1):
            if end < len(here) and deep[here[end]]:
                continue
            if end - start >= _LEAST_RUN:
                yield here[start:end]
            start = end + 1


def _chase(across: Array, along: Array, off: Array, run: np.ndarray, wall: Wall, *, upright: bool) -> Chase:
    axis = 1 if upright else 0
    low, high = float(wall.outline[:, axis].min()), float(wall.outline[:, axis].max())
    line = np.sort(along[np.abs(across - across[run[0]]) < 1e-3])
    first, last = float(along[run[0]]), float(along[run[-1]])
    before, after = line[line < first - 1e-6], line[line > last + 1e-6]
    # to the middle between the last deep station and the next one, and where there is none to the wall's edge
    start = low if not len(before) else (float(before[-1]) + first) / 2
    stop = high if not len(after) else (float(after[0]) + last) / 2
    at = float(across[run[0]])
    left, right = at - WIDTH / 2, at + WIDTH / 2
    box = (left, start, right, stop) if upright else (start, left, stop, right)
    place = Opening(box[0], box[1], box[2] - box[0], box[3] - box[1], LIKELY)
    said = note(
        "relief.looks-like-chase-up" if upright else "relief.looks-like-chase-along",
        (at, first) if upright else (first, at),
        count=len(run),
        at=metres(at),
        deeper=metres(float(np.median(off[run]))),
        wide=metres(WIDTH),
        box=tuple(metres(round(side, 3)) for side in box),
    )
    return Chase(place, said)

"""Targets laid on what was taped: their places, distances between them, or their printed size alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.capture.photos.photo_setup import PhotoSetup
from flatscan.capture.photos.target_ties import Marks
from flatscan.core.errors import BadTable
from flatscan.core.geometry import Array, Mask
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres

# a tape that the others contradict by so many times its u, and by so much [m], was misread; four places can tell
_TIMES, _MISREAD, _TELL = 4.0, 0.008, 4
# white light spreads over the edges of a black square: by so many pixels in all its side may be too short (drawn
# photos lost 0.8)
SPREAD = 0.6
# beyond this [m] tapes fit no wall at all
_HOPELESS = 0.1


@dataclass(frozen=True, eq=False)
class Laid:
    """What tapes say: ``scale``, its relative u, ``turn`` (2, 2) in the wall's plane and its u [rad].

    ``axes`` tells whether they say which way up is, ``used`` how many targets they are from.
    """

    scale: float
    u_scale: float
    turn: Array
    u_turn: float
    axes: bool
    used: int
    scale_from: Note
    by_size: bool
    notes: tuple[Note, ...]


def laid_on_tapes(marks: Marks, setup: PhotoSetup, pixel: float) -> Laid | None:
    """By taped places, else by taped distances, else by the printed size; None where nothing tells a length.

    ``pixel`` is the size of one on the wall, in the unit of the marks.

    Raises `BadTable` where places fit the mirrored wall only, or nothing at all.
    """
    places = [(number, at) for number, at in setup.targets if marks.place(number) is not None]
    if len(places) > 1:
        return _on_places(marks, setup, [number for number, _ in places], np.array([at for _, at in places]))
    lengths = _lengths(marks, setup)
    if len(lengths):
        return _on_distances(lengths, setup)
    if setup.target_size is None or not len(marks):
        return None
    side = float(np.median(marks.sides))
    scatter = float(np.std(marks.sides / side)) / np.sqrt(len(marks)) if len(marks) > 1 else 0.0
    u = float(np.hypot(np.hypot(setup.doubts.target_size / setup.target_size, scatter), SPREAD * pixel / side))
    known = note("placed.scale-size", size=metres(setup.target_size))
    return Laid(setup.target_size / side, u, np.eye(2), 0.0, False, len(marks), known, True, ())


def _lengths(marks: Marks, setup: PhotoSetup) -> Array:
    """Distances (n, 2) as measured and as taped."""
    found = []
    for one in setup.distances:
        first, second = marks.place(one.first), marks.place(one.second)
        if first is not None and second is not None:
            found.append((float(np.linalg.norm(first - second)), one.taped))
    return np.array(found).reshape(-1, 2)


def _on_distances(lengths: Array, setup: PhotoSetup) -> Laid:
    measured, taped = lengths.T
    scale = float(measured @ taped / (measured @ measured))
    off = taped - scale * measured
    spread = float(np.sqrt((off**2).sum() / max(len(off) - 1, 1)))
    u = max(setup.doubts.distance, spread) / float(np.sqrt((taped**2).sum()))
    notes = (_checked("placed.distances-check", off),) if len(off) > 1 else ()
    known = note("placed.scale-distances", count=len(off))
    return Laid(scale, u, np.eye(2), 0.0, False, len(off), known, False, notes)


def _checked(code: str, off: Array) -> Note:
    return note(code, count=len(off), most=metres(float(np.abs(off).max())))


def _on_places(marks: Marks, setup: PhotoSetup, numbers: list[int], taped: Array) -> Laid:
    """Scale and turn that lay targets on their taped places best (Umeyama, IEEE PAMI 13, 1991, in the plane)."""
    seen = np.array([marks.place(number) for number in numbers])[:, :2]
    kept = _without_misread(seen, taped, setup)
    scale, turn, off = _similar(seen[kept], taped[kept])
    many = int(kept.sum())
    worst = float(np.hypot(*off.T).max())
    if worst > _HOPELESS:
        _refuse(setup, seen, taped, worst)
    spread = float(np.sqrt((off**2).sum() / (2 * many - 4))) if many > 2 else 0.0
    reach = float(np.sqrt(((taped[kept] - taped[kept].mean(axis=0)) ** 2).sum()))
    u = max(setup.doubts.target_place, spread) / reach
    notes = [
        note(
            "placed.tape-misread", number=numbers[i], off=metres(float(np.hypot(*_foretold(seen, taped, kept, int(i)))))
        )
        for i in np.flatnonzero(~kept)
    ]
    if many > 2:
        notes.append(_left_over(numbers, seen, taped, kept))
    lengths = _lengths(marks, setup)
    if len(lengths):
        notes.append(_checked("placed.distances-check", lengths[:, 1] - scale * lengths[:, 0]))
    return Laid(scale, u, turn, u, True, many, note("placed.scale-places", count=many), False, tuple(notes))


def _similar(seen: Array, taped: Array, mirrored: bool = False) -> tuple[float, Array, Array]:
    """Scale and rotation (2, 2) from ``seen`` to ``taped`` (n, 2), and what is left over (n, 2)."""
    a, b = seen - seen.mean(axis=0), taped - taped.mean(axis=0)
    first, sizes, second = np.linalg.svd(b.T @ a)
    sign = np.linalg.det(first @ second) * (-1.0 if mirrored else 1.0)
    turn = first @ np.diag([1.0, np.sign(sign)]) @ second
    scale = float((sizes * [1.0, np.sign(sign)]).sum() / (a**2).sum())
    return scale, turn, scale * a @ turn.T - b


def _foretold(seen: Array, taped: Array, kept: Mask, i: int) -> Array:
    """How far (2,) target i lies off where the others kept put it."""
    others = kept.copy()
    others[i] = False
    scale, turn, _ = _similar(seen[others], taped[others])
    there = scale * (seen[i] - seen[others].mean(axis=0)) @ turn.T + taped[others].mean(axis=0)
    return np.asarray(there - taped[i])


def _without_misread(seen: Array, taped: Array, setup: PhotoSetup) -> Mask:
    """Which places (n,) to go by: one that all others contradict is left out, as long as enough are left to tell."""
    kept = np.ones(len(seen), bool)
    while kept.sum() >= _TELL + 1 or (kept.all() and kept.sum() == _TELL):
        rest = np.full(len(seen), np.inf)
        for i in np.flatnonzero(kept):
            others = kept.copy()
            others[i] = False
            rest[i] = float(np.abs(_similar(seen[others], taped[others])[2]).max())
        worst = int(rest.argmin())
        off = float(np.hypot(*_foretold(seen, taped, kept, worst)))
        if off < max(_MISREAD, _TIMES * max(setup.doubts.target_place, rest[worst])):
            break
        kept[worst] = False
    return kept


def _left_over(numbers: list[int], seen: Array, taped: Array, kept: Mask) -> Note:
    """Each target against the others: the largest of what they miss by, as a check that the fit had no part in."""
    used = np.flatnonzero(kept)
    off = np.array([np.hypot(*_foretold(seen, taped, kept, int(i))) for i in used])
    worst = int(off.argmax())
    return note("placed.places-check", count=len(used), most=metres(float(off[worst])), number=numbers[used[worst]])


def _refuse(setup: PhotoSetup, seen: Array, taped: Array, worst: float) -> None:
    mirrored = float(np.hypot(*_similar(seen, taped, mirrored=True)[2].T).max())
    turned = mirrored < worst / 4
    raise BadTable(
        setup.file or "wall.toml",
        "[targets.at] "
        + ("the places fit a mirrored wall only" if turned else "the taped places miss the photos by {worst:length}"),
        needed="x to the right from the left edge, as seen from the room, and y up",
        remedy="Correct the places" if turned else "Check each target's number and place, and the printed size",
        worst=metres(worst),
    )

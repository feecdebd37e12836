"""What was found before a wall, on its relief: numbered, masked with the mixed pixels at its edges, chosen by hand."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array, Mask
from flatscan.core.model import Relief, WallObject
from flatscan.core.notes import Note, Place, note
from flatscan.core.quantity import metres
from flatscan.core.reliefs import Grid, Standing
from flatscan.relief.footprint import COLLAR
from flatscan.relief.objects import HIGHEST_PLATE, RESOLVED, Found, collared, found_in
from flatscan.relief.pieces import EIGHT, Cells

# a place named for an object lies on it or this near to it [m]
NEAR = 0.15
# plates that the wall's outline showed are believed in cells up to this size [m]
SHARP_CELL = 0.0201
_MOST_SAID = 5
_SAID = {
    ("doubtful", False): "relief.object-doubtful",
    ("removed", True): "relief.object-chosen-removed",
    ("wall", True): "relief.object-chosen-wall",
}


@dataclass(frozen=True, slots=True)
class Plate:
    """A plate of a socket or switch already known: left, bottom, width, height, and how far it stands proud [m]."""

    left: float
    bottom: float
    width: float
    height: float
    proud: float


@dataclass(frozen=True, slots=True)
class Choices:
    """What somebody says of objects, each by a place [m] on or near it, and plates that are already known."""

    as_wall: tuple[Place, ...] = ()
    not_wall: tuple[Place, ...] = ()
    plates: tuple[Plate, ...] = ()


@dataclass(frozen=True, eq=False)
class _Thing:
    """An object without its number yet, and the cells (rows, cols) it takes with its collar."""

    it: WallObject
    mask: Mask


def with_objects(relief: Grid, cells: Cells, choices: Choices) -> tuple[Grid, tuple[Note, ...]]:
    """The relief without what hangs on the wall, and what must be said about it.

    Raises `BadValue` where a choice names a place at which nothing was found.
    """
    plates = [_plate(relief, plate) for plate in choices.plates]
    taken = np.zeros(relief.offset.shape, dtype=bool)
    for plate in plates:
        taken |= plate.mask
    things = [*plates, *_things(relief, cells, found_in(cells, taken))]
    things.sort(key=lambda one: (round(one.it.x - one.it.width / 2, 2), one.it.y))
    for name, state, places in (("as_wall", "wall", choices.as_wall), ("not_wall", "removed", choices.not_wall)):
        for place in places:
            things = _chosen(things, place, name, state)
    if not things:
        return relief, ()
    objects, number = [], np.zeros(relief.offset.shape, dtype=np.int16)
    for count, thing in enumerate(things, 1):
        objects.append(replace(thing.it, number=count))
        number[thing.mask & (number == 0)] = count
    halves = [np.full_like(relief.offset, np.nan) if h is None else h for h in (relief.half_a, relief.half_b)]
    standing = Standing(tuple(objects), number, np.stack([relief.offset, relief.u, *halves]))
    left = replace(relief, standing=standing).leaving_out(standing.numbers("removed"))
    return left, tuple(_said(objects))


def with_standing_of(before: Grid, after: Relief) -> Relief:
    """``after`` with what stands before the wall of ``before``, moved as the offsets were between the two."""
    if before.standing is None or not isinstance(after, Grid):
        return after
    moved = before.offset - after.offset
    return replace(after, standing=before.standing.tied(np.where(np.isfinite(moved), moved, 0.0)))


def _plate(relief: Grid, plate: Plate) -> _Thing:
    across = np.abs(relief.x - plate.left - plate.width / 2) < plate.width / 2 + COLLAR
    upward = np.abs(relief.y - plate.bottom - plate.height / 2) < plate.height / 2 + COLLAR
    x, y = plate.left + plate.width / 2, plate.bottom + plate.height / 2
    # a lump of mortar may be as large, but is thicker than any plate; of fewer points it makes as good a one
    sure = plate.proud < HIGHEST_PLATE and relief.cell <= SHARP_CELL
    state = "removed" if sure else "doubtful"
    it = WallObject(0, x, y, plate.width, plate.height, plate.proud, plate.width * plate.height, state)
    return _Thing(it, upward[:, None] & across[None, :] & relief.inside)


def _things(relief: Grid, cells: Cells, found: Sequence[Found]) -> Iterator[_Thing]:
    """Objects out of pieces; removed ones that touch with their collars are one."""
    removed = np.zeros(relief.offset.shape, dtype=bool)
    for one in found:
        if one.state == "removed":
            removed[one.piece.window] |= collared(cells, one.piece)
    labels, number = ndimage.label(removed, EIGHT)
    for label in range(1, number + 1):
        parts = [one for one in found if one.state == "removed" and _mostly(labels, one) == label]
        if parts:
            yield _Thing(_object(relief, parts), (labels == label) & relief.inside)
    for one in found:
        if one.state == "doubtful":
            mask = np.zeros(relief.offset.shape, dtype=bool)
            mask[one.piece.window] = collared(cells, one.piece)
            yield _Thing(_object(relief, [one]), mask & relief.inside & ~removed)


def _mostly(labels: Array, one: Found) -> int:
    return int(np.bincount(labels[one.piece.window][one.piece.mask]).argmax())


def _object(relief: Grid, parts: Sequence[Found]) -> WallObject:
    """Its rectangle about all its parts, and how far the largest of them stands off."""
    edges = np.array([_rectangle(relief, one) for one in parts])
    (left, bottom), (right, top) = edges[:, :2].min(axis=0), edges[:, 2:].max(axis=0)
    piece = max(parts, key=lambda one: one.piece.area).piece
    off = max(piece.height, piece.screen, piece.section.height if piece.narrow < RESOLVED else 0.0)
    area = sum(one.piece.area for one in parts)
    return WallObject(
        number=0,
        x=float(left + right) / 2,
        y=float(bottom + top) / 2,
        width=float(right - left),
        height=float(top - bottom),
        stands_off=off,
        area=area,
        state=parts[0].state,
    )


def _rectangle(relief: Grid, one: Found) -> tuple[float, float, float, float]:
    row, col = np.nonzero(one.piece.mask)
    x, y = relief.x[one.piece.window[1]][col], relief.y[one.piece.window[0]][row]
    middle = float(x.min() + x.max()) / 2, float(y.min() + y.max()) / 2
    wide, tall = one.piece.wide / 2, one.piece.tall / 2
    return middle[0] - wide, middle[1] - tall, middle[0] + wide, middle[1] + tall


def _chosen(things: list[_Thing], place: Place, name: str, state: str) -> list[_Thing]:
    """The object on or nearest to a place in the state somebody gives it."""
    x, y = place
    apart = [
        float(np.hypot(max(abs(x - t.it.x) - t.it.width / 2, 0.0), max(abs(y - t.it.y) - t.it.height / 2, 0.0)))
        for t in things
    ]
    # of several that hold the place the smallest is meant
    order = sorted(range(len(things)), key=lambda k: (apart[k], things[k].it.area))
    if not order:
        raise BadValue(
            f"{{set:{name}}}",
            "{at:xy}, but nothing was found before the wall",
            needed="a wall on which an object was found",
            remedy=f"Leave {{set:{name}}} out",
            at=place,
        )
    found = things[order[0]]
    if apart[order[0]] > NEAR:
        raise BadValue(
            f"{{set:{name}}}",
            "no object at {at:xy}",
            needed="a place on an object: the nearest is at {there:xy}",
            remedy="Take a place from the list of objects, measured from the wall's lower left corner",
            at=place,
            there=(found.it.x, found.it.y),
        )
    changed = replace(found, it=replace(found.it, state=state, chosen=True))
    return [changed if thing is found else thing for thing in things]


def _said(objects: Sequence[WallObject]) -> Iterator[Note]:
    """What became of what was found, what is doubtful first; of many the largest."""
    order = sorted(objects, key=lambda one: -one.area)
    for one in [one for one in order if one.state == "doubtful"][:_MOST_SAID] + [one for one in order if one.chosen]:
        yield note(
            _SAID[one.state, one.chosen],
            (one.x, one.y),
            number=one.number,
            width=metres(one.width),
            height=metres(one.height),
            off=metres(one.stands_off),
        )
    out = tuple(sorted(one.number for one in objects if one.state == "removed" and not one.chosen))
    if out:
        yield note("relief.objects-removed", objects=out)

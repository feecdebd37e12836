"""A wall on several levels: its parts, each a surface of its own, and the steps between them.

A part reaches from one edge of the wall to the opposite one (a plinth, a band over windows, a breast), is at least
300 mm high or wide and holds a tenth of the wall; what does not is an object, an opening or a matter of flatness.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.errors import UnitsUnknown
from flatscan.core.geometry import Array, fit_plane_robust, unit
from flatscan.core.level_parts import LevelStep, WallPart
from flatscan.core.model import Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
from flatscan.wall.facing import Facing
from flatscan.wall.fit import Fit
from flatscan.wall.planes import Candidate, Thinned, area_of, faces_along, levels_beside
from flatscan.wall.steps import LEAST_STEP, REACH, StepLine, profiles, step_lines

# levels further apart are walls of their own
DEEPEST = 0.25
LEAST_SHARE = 0.1
# so many points show a step of 8 mm at 4 mm of noise ten times over
ENOUGH = 40_000
# of a wall so little of which is seen a line does not tell where it goes
FILLED = 0.5
# points so near to a line may be of either level, and so near to the wall's edges of what adjoins
_CLEAR, _INWARD = 0.03, 0.05
_SAME_SIDE_SHARE = 0.5
_LEAST_MEMBERS = 20
LETTERS = "abcdefghijklmnopqrstuvwxyz"


@dataclass(frozen=True, eq=False)
class Part:
    """A level of a wall: its surface, and the lines (None: the wall's own edge) it lies between, in ``fit``'s axes."""

    plane: Candidate
    before: StepLine | None
    after: StepLine | None


@dataclass(frozen=True, eq=False)
class Levels:
    """The parts of a wall from low to high along ``axis``, in the coordinates of the ``fit`` they were found with.

    ``taken`` are the surfaces found before whose points the parts hold.
    """

    fit: Fit
    axis: int
    parts: tuple[Part, ...]
    taken: tuple[Candidate, ...]

    def line_in(self, line: StepLine, other: Fit) -> float:
        """Where a line lies along its axis in the coordinates of another fit of the wall [m]."""
        ends = self.ends(line)
        return float(other.frame.to_wall(ends)[:, self.axis].mean())

    def ends(self, line: StepLine) -> Array:
        """Both ends (2, 3) of a line in the cloud's coordinates."""
        other = 1 - self.axis
        place = np.zeros((2, 3))
        place[:, self.axis] = line.place
        place[:, other] = self.fit.low[other], self.fit.high[other]
        place[:, 2] = self.fit.lean * place[:, 1]
        return self.fit.frame.to_file(place)


def find_levels(
    points: Array, thinned: Thinned, fit: Fit, face: Facing, planes: list[Candidate], facing: Callable[..., Facing]
) -> Levels | None:
    """The levels of the wall that ``fit`` lies on, among ``points`` (n, 3); None where it has only one.

    ``planes`` are all upright surfaces and ``facing`` tells which way one of them faces: what faces the other way is
    another room's.
    """
    beside = _beside(thinned, fit, face, planes, facing)
    close = points[np.abs((points - fit.plane.centre) @ fit.plane.normal) < 1.2 * DEEPEST]
    place = fit.local(close[:: max(1, len(close) // ENOUGH)])
    members = [fit.local(thinned.points[plane.members])[:, :2] for plane in (fit.plane, *beside)]
    low = np.min([part.min(axis=0) for part in members], axis=0)
    high = np.max([part.max(axis=0) for part in members], axis=0)
    whole = replace(fit, low=low, high=high)
    found = []
    for axis in (1, 0):
        known = profiles(place, axis, low + _INWARD, high - _INWARD)
        lines = [] if known is None else step_lines(known)
        kept = _holding(place, whole, axis, lines) if lines else []
        if kept:
            found.append((max(abs(line.size) for line in kept), axis, kept))
    for _, axis, lines in sorted(found, key=lambda one: -one[0]):
        levels = _parts(thinned, place, whole, axis, lines, planes)
        if levels is not None:
            return levels
    return None


def _beside(
    thinned: Thinned, fit: Fit, face: Facing, planes: list[Candidate], facing: Callable[..., Facing]
) -> list[Candidate]:
    """Surfaces that go on beside the wall's on another level, or beside one of those, and face the same way."""
    group, new = [fit.plane], [fit.plane]
    while new:
        left = [one for one in planes if not any(one is known for known in group)]
        found = [one for plane in new for one, _ in levels_beside(thinned, plane, left)]
        new = [one for one in dict.fromkeys(found) if _faces_alike(fit, face, one, facing)]
        group += new
    return group[1:]


def _faces_alike(fit: Fit, face: Facing, plane: Candidate, facing: Callable[..., Facing]) -> bool:
    """Whether a surface close to the wall's plane faces the room that the wall faces."""
    if abs(float((plane.centre - fit.plane.centre) @ fit.plane.normal)) > DEEPEST:
        return False
    alike = float(plane.normal @ fit.plane.normal)
    try:
        other = facing(plane).sign
    except UnitsUnknown:
        other = face.sign * float(np.sign(alike))
    return other * face.sign * alike > 0


def _holding(place: Array, fit: Fit, axis: int, lines: list[StepLine]) -> list[StepLine]:
    """The lines on both sides of which whole parts lie whose planes step there as well.

    A course or a ridge steps twice within 300 mm, and the planes of what lies around it do not step at all.
    """
    lines = list(lines)
    while lines:
        planes = [_plane(place, fit, axis, before, after) for before, after in _between(lines)]
        worst, weakest = None, 1.0
        for i, line in enumerate(lines):
            share = 0.0
            one, two = planes[i], planes[i + 1]
            if one is not None and two is not None:
                at = np.array([1.0, *_middle_of(fit, axis, line.place)])
                share = float((two[0] - one[0]) @ at) / line.size
                share = 0.0 if min(one[1], two[1]) < LEAST_SHARE * _area(fit) else share
                share = 0.0 if share * abs(line.size) < LEAST_STEP / 2 else share
            if share < min(weakest, 0.5):
                worst, weakest = i, share
        if worst is None:
            return lines
        lines.pop(worst)
    return lines


def _between(lines: list[StepLine]) -> list[tuple[StepLine | None, StepLine | None]]:
    ends: list[StepLine | None] = [None, *lines, None]
    return list(zip(ends[:-1], ends[1:], strict=True))


def _middle_of(fit: Fit, axis: int, place: float) -> Array:
    at = (fit.low + fit.high) / 2
    at[axis] = place
    return at


def _area(fit: Fit) -> float:
    return float(np.prod(fit.high - fit.low))


def _strip(fit: Fit, axis: int, before: StepLine | None, after: StepLine | None) -> tuple[Array, Array]:
    """Lower left and upper right (2,) of what lies between two lines, clear of them."""
    low, high = fit.low.copy(), fit.high.copy()
    low[axis] = low[axis] if before is None else before.place + _CLEAR
    high[axis] = high[axis] if after is None else after.place - _CLEAR
    return low, high


def _plane(
    place: Array, fit: Fit, axis: int, before: StepLine | None, after: StepLine | None
) -> tuple[Array, float] | None:
    """Plane (3,) of what lies between two lines and its area [m2]; None where that is no part."""
    low, high = _strip(fit, axis, before, after)
    if high[axis] - low[axis] < REACH - 2 * _CLEAR:
        return None
    inside = ((place[:, :2] > low + _CLEAR) & (place[:, :2] < high - _CLEAR)).all(axis=1)
    if inside.sum() < _LEAST_MEMBERS:
        return None
    x, y, r = _block_medians(place[inside], low, high)
    if len(r) < 6:
        return None
    start = np.abs(r - np.median(r))
    near = start < max(0.02, 3 * float(np.median(start)))
    try:
        terms, _ = fit_plane_robust(x[near], y[near], r[near])
    except np.linalg.LinAlgError:
        return None
    return terms, float(np.prod(high - low))


def _block_medians(place: Array, low: Array, high: Array) -> tuple[Array, Array, Array]:
    """Middles and median heights of blocks of about 100 mm."""
    shape = np.maximum(np.round((high - low) / 0.1).astype(int), 2)
    block = np.clip(((place[:, :2] - low) / (high - low) * shape).astype(int), 0, shape - 1)
    number = block[:, 1] * shape[0] + block[:, 0]
    order = np.lexsort((place[:, 2], number))
    held, first, count = np.unique(number[order], return_index=True, return_counts=True)
    r = place[order, 2][first + count // 2]
    size = (high - low) / shape
    return low[0] + (held % shape[0] + 0.5) * size[0], low[1] + (held // shape[0] + 0.5) * size[1], r


def _parts(
    thinned: Thinned, place: Array, fit: Fit, axis: int, lines: list[StepLine], planes: list[Candidate]
) -> Levels | None:
    parts = []
    thin = fit.local(thinned.points)
    for before, after in _between(lines):
        plane = _plane(place, fit, axis, before, after)
        surface = None if plane is None else _surface(thinned, thin, fit, _strip(fit, axis, before, after), plane[0])
        if surface is None:
            return None
        parts.append(Part(surface, before, after))
    areas = [part.plane.area for part in parts]
    if min(areas) < LEAST_SHARE * sum(areas) or sum(areas) < FILLED * _area(fit):
        return None
    held = np.concatenate([part.plane.members for part in parts])
    taken = tuple(
        plane for plane in planes if plane is fit.plane or np.isin(plane.members, held).mean() > _SAME_SIDE_SHARE
    )
    return Levels(fit, axis, tuple(parts), taken)


def _surface(thinned: Thinned, thin: Array, fit: Fit, strip: tuple[Array, Array], terms: Array) -> Candidate | None:
    """The thinned points (n, 3 in ``thin``) on a part's plane as a surface."""
    off = thin[:, 2] - (terms[0] + terms[1] * thin[:, 0] + terms[2] * thin[:, 1])
    inside = ((thin[:, :2] >= strip[0]) & (thin[:, :2] <= strip[1])).all(axis=1)
    frame = fit.frame
    # a slope up of the heights, which are off the leaning plane, adds to the plane's own
    normal = unit(frame.out - terms[1] * frame.along - (terms[2] + fit.lean) * frame.up)
    normal = normal * np.sign(normal @ fit.plane.normal)
    members = np.flatnonzero(inside & (np.abs(off) < thinned.reach) & faces_along(thinned, normal))
    if len(members) < _LEAST_MEMBERS:
        return None
    middle = _middle_of(fit, 0, float((strip[0][0] + strip[1][0]) / 2))
    middle[1] = (strip[0][1] + strip[1][1]) / 2
    height = float(terms @ np.array([1.0, *middle])) + fit.lean * middle[1]
    centre = frame.to_file(np.array([[*middle, height]]))[0]
    return Candidate(centre, normal, members, area_of(thinned, members, centre, normal))


def lettered(walls: list[Wall], levels: Levels, areas: list[float]) -> list[Wall]:
    """The walls drawn of the parts in their order, each with its letter, all parts, and the steps between them.

    a is the largest net area, then from low to high.
    """
    order = sorted(range(len(walls)), key=lambda i: (areas[i] < max(areas), i))
    letters = {i: LETTERS[k] for k, i in enumerate(order)}
    done = []
    for i, wall in enumerate(walls):
        parts = tuple(_told(wall, walls[k], letters[k], areas[k]) for k in order)
        steps = tuple(_step(wall, levels, k, letters) for k in range(len(walls) - 1))
        done.append(replace(wall, part=letters[i], parts=parts, steps=steps))
    return [done[i] for i in order]


def part_notes(wall: Wall) -> tuple[Note, ...]:
    """Say of which wall this is a part, which one, and how the others are had."""
    if not wall.parts:
        return ()
    others = tuple(f"{wall.number}{part.letter}" for part in wall.parts if part.letter != wall.part)
    about = {"number": wall.number, "count": len(wall.parts), "name": wall.name, "others": others}
    if wall.part == LETTERS[0]:
        return (note("wall.part-largest", None, **about),)
    return (note("wall.part-chosen", None, width=metres(wall.width), height=metres(wall.height), **about),)


def _told(here: Wall, part: Wall, letter: str, area: float) -> WallPart:
    """A part in the wall coordinates of another."""
    whole = part.outline if part.full is None else part.full
    low, high = whole.min(axis=0), whole.max(axis=0)
    corners = np.array([[*low, 0.0], [*high, 0.0]])
    (left, bottom, _), (right, top, _) = here.frame.to_wall(part.frame.to_file(corners))
    return WallPart(letter, float(left), float(bottom), float(right - left), float(top - bottom), area)


def _step(here: Wall, levels: Levels, number: int, letters: dict[int, str]) -> LevelStep:
    line = levels.parts[number].after
    assert line is not None
    (left, bottom, _), (right, top, _) = here.frame.to_wall(levels.ends(line))
    return LevelStep(
        letters[number], letters[number + 1], line.size, line.u, float(left), float(bottom), float(right), float(top)
    )

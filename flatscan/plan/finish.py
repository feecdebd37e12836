"""The plane the plasterer works to, and how much stands between it and the wall."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.errors import BadValue, Infeasible
from flatscan.core.geometry import Array
from flatscan.core.model import Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, cubic_metres, metres, share, slope
from flatscan.plan.highest import Errors, Rise, errors_of
from flatscan.plan.program import Contact, Held, Problem, Solution, least_plane, reduced, worthwhile
from flatscan.plan.surface import Surface, surface_of
from flatscan.plan.volume import Doubt, volume_doubt

# how far around a fixed point the wall beside it is taken from, where it is given as proud of the wall
_BESIDE = 0.15
# the share of the volume that a slope must save (methods/finish-plane 5)
WORTH = 0.02
# places that were cut are taken out of a plane's way by this [m]
_FAR = 0.1
# a place cut back to within this [m] of the plane less its cover was cut to that plane
_FLUSH = 5e-5


@dataclass(frozen=True, slots=True)
class FinishPlane:
    """z = offset + turn x + lean y in wall coordinates [m]; ``rule`` notes how it was placed.

    ``at_left_foot`` is measured from the vertical plane through the wall fit's foot, or from the laser plane.
    """

    offset: float
    turn: float
    lean: float
    at_left_foot: float
    rule: Note

    def at(self, x: Array, y: Array) -> Array:
        """Height z of the plane at x, y [m]."""
        return self.offset + self.turn * np.asarray(x, float) + self.lean * np.asarray(y, float)


@dataclass(frozen=True, eq=False)
class BuildUp:
    """Thickness (rows, cols) [m] from wall to finish plane along its normal, and its totals [m, m3].

    ``low`` to ``high`` [m3] is a 95 % interval of the true volume, ``order`` [m3] is enough nine times in ten; None
    where they cannot be known. ``contacts`` are the places the plane rests on with the share each decides, ``notes``
    what is worth saying of it. ``area`` [m2] is the net area the volume stands on, and ``lowered`` [m] how far the
    plane stands under the highest of the measured values, which are likely too proud by that.
    """

    plane: FinishPlane
    thickness: Array
    least: float
    mean: float
    most: float
    volume: Quantity
    contacts: tuple[Contact, ...] = ()
    notes: tuple[Note, ...] = ()
    area: float = 0.0
    low: float | None = None
    high: float | None = None
    order: float | None = None
    lowered: float = 0.0

    @property
    def between(self) -> bool:
        """Whether nothing but a range is known: two surfaces lie in the scan, and nobody knows which is the wall."""
        return self.order is None and self.low is not None

    @property
    def ordered(self) -> float:
        """Volume to order [m3] before waste: the best estimate where nothing says how far that may be off."""
        return self.volume.value if self.order is None else self.order


@dataclass(frozen=True, slots=True)
class FixedPoint:
    """A lining, bead or frame the finished face goes through, at x, y [m].

    ``offset`` [m] is z in wall coordinates (from the same plane as the relief), or with ``beside`` how far it stands
    proud of the wall beside it. ``band`` [m] is how far the face may miss it either way; 0 is exact.
    """

    x: float
    y: float
    offset: float
    band: float = 0.0
    beside: bool = False
    name: str = ""


@dataclass(frozen=True, slots=True)
class PlaneOptions:
    """How the finish plane may be placed; lengths in metres, slopes in m per m.

    ``turn`` and ``lean`` are the slopes wanted (0: plumb, and along the wall's own line), ``turn_up_to`` and
    ``lean_up_to`` how far the plane may depart from them for the sake of less material. ``worth`` is the share of
    the volume a departure must save. ``background`` is what the wall is of, in a word: what may stand proud between
    stations hangs on it.
    """

    least: float = 0.005
    most: float | None = None
    lean_up_to: float = 0.0
    turn_up_to: float = 0.0
    turn: float = 0.0
    lean: float = 0.0
    fixed: tuple[FixedPoint, ...] = ()
    worth: float = WORTH
    background: str = ""

    def __post_init__(self) -> None:
        numbers = {"least": self.least, "lean_up_to": self.lean_up_to, "turn_up_to": self.turn_up_to}
        numbers |= {} if self.most is None else {"most": self.most}
        for name, value in numbers.items():
            if not math.isfinite(value) or value < 0:
                shown = "{value:slope}" if name.endswith("_up_to") else "{value:length.g}"
                raise BadValue(
                    f"{{set:{name}}}",
                    shown,
                    needed="a number from 0 up",
                    remedy="Give it without a sign",
                    value=slope(value) if name.endswith("_up_to") else metres(value),
                )
        if self.most is not None and self.least > self.most:
            raise BadValue(
                "{set:least} and {set:most}",
                "the least {least:length.1} is over the most {most:length.1}",
                needed="a least not over the most",
                remedy="Lower the least or raise the most",
                least=metres(self.least),
                most=metres(self.most),
            )
        for point in self.fixed:
            if not all(map(math.isfinite, (point.x, point.y, point.offset, point.band))) or point.band < 0:
                raise BadValue(
                    "{set:fix}",
                    "{at:span.g}, band {band:length.g}",
                    needed="real numbers and a band from 0 up",
                    remedy="Give x, y and offset in metres",
                    at=tuple(metres(value) for value in (point.x, point.y, point.offset)),
                    band=metres(point.band),
                )


def _held(options: PlaneOptions, surface: Surface) -> tuple[Held, ...]:
    """Fixed points as height ranges; one given beside the wall is measured from the wall within 150 mm of it."""
    places = []
    for point in options.fixed:
        height = point.offset
        if point.beside:
            distance = np.hypot(surface.x - point.x, surface.y - point.y)
            near = distance <= max(_BESIDE, float(distance.min()))
            height += float(np.median(surface.z[near]))
        places.append(Held(point.x, point.y, height - point.band, height + point.band, point.name))
    return tuple(places)


def need_of(surface: Surface, options: PlaneOptions, lowered: float = 0.0) -> Array:
    """Height (n,) the plane must reach over each cell [m]: the wall, ``lowered`` [m], plus the least cover."""
    return surface.z - lowered + options.least


def problem_of(surface: Surface, options: PlaneOptions, *, resting: bool = True) -> Problem:
    """The linear program of these cells and options: cover and cap over the wall as measured.

    Fixed points beside the wall are taken from the wall as it stood before anything was cut, and a slope not worth
    using on that is not taken up on the cut one. Without ``resting`` the places that were cut bear nothing.
    """
    before = surface.measured
    turn_free, lean_free = _freedoms(surface, options)
    need = need_of(surface, options)
    problem = Problem(
        surface.x,
        surface.y,
        need if resting else np.where(surface.cut, need - _FAR, need),
        None if options.most is None else surface.z + options.most,
        _held(options, before),
        surface.centre,
        options.turn,
        options.lean,
        turn_free,
        lean_free,
        float(np.average(before.z, weights=surface.area)),
        options.worth,
    )
    return reduced(problem)


def _freedoms(surface: Surface, options: PlaneOptions) -> tuple[float, float]:
    """How far the turn and lean [m per m] may depart from those wanted."""
    free = options.turn_up_to, options.lean_up_to
    if surface.uncut is None or not any(free):
        return free
    try:
        _, used = worthwhile(problem_of(surface.measured, options))
    except Infeasible:
        return free
    return used.turn_free, used.lean_free


def _rule(found: Solution, options: PlaneOptions, out: float = 0.0) -> Note:
    """How the plane was placed."""
    parts = [_lean(found.lean), _turn(found.turn)]
    if options.fixed:
        count = len(options.fixed)
        parts.append(note("plan.through-one" if count == 1 else "plan.through", count=count))
    parts.append(note("plan.least-cover", least=metres(options.least)))
    if out:
        parts.append(note("plan.out-for-room", out=metres(out)))
    if options.most is not None:
        parts.append(note("plan.at-most", most=metres(options.most)))
    return note("plan.rule", parts=tuple(parts))


def _lean(lean: float) -> Note:
    if lean == 0:
        return note("plan.plumb")
    return note("plan.leaning-in" if lean > 0 else "plan.leaning-out", lean=slope(abs(lean)))


def _turn(turn: float) -> Note:
    if turn == 0:
        return note("plan.along")
    return note("plan.turned-in" if turn > 0 else "plan.turned-out", turn=slope(abs(turn)))


@dataclass(frozen=True, eq=False)
class Settled:
    """A plane on its contacts, and what errors make it ``rise`` before it was lowered by that.

    ``deep`` (n,) [m] is its distance from each place, nowhere under the cover.
    """

    found: Solution
    rise: Rise
    deep: Array


def settle(surface: Surface, options: PlaneOptions, errors: Errors, problem: Problem | None = None) -> Settled:
    """The plane of least volume over the best estimate of the wall's highest spots (methods/finish-plane 2).

    ``problem`` is the one to solve where its freedoms are settled already. Places that were cut back to the plane of
    the rest of the wall, or further, do not bear on it: whoever cuts them cuts to that plane. Raises `Infeasible` as
    `least_plane`.
    """
    if problem is None and surface.uncut is None:
        found, problem = worthwhile(problem_of(surface, options))
        return _lowered(surface, options, errors, problem, found)
    problem = problem_of(surface, options) if problem is None else problem
    if surface.cut.any():
        rest = replace(
            problem_of(surface, options, resting=False),
            held=problem.held,
            turn_free=problem.turn_free,
            lean_free=problem.lean_free,
        )
        settled = _lowered(surface, options, errors, rest, least_plane(rest), resting=False)
        at = settled.found
        face = at.offset + at.turn * surface.x + at.lean * surface.y
        if bool((need_of(surface, options) - face <= _FLUSH)[surface.cut].all()):
            return settled
    return _lowered(surface, options, errors, problem, least_plane(problem))


def _lowered(
    surface: Surface,
    options: PlaneOptions,
    errors: Errors,
    problem: Problem,
    found: Solution,
    *,
    resting: bool = True,
) -> Settled:
    """The plane less what errors added to the highest of the values it rests on."""
    z = surface.z if resting else np.where(surface.cut, surface.z - _FAR, surface.z)
    over = found.mean_over(problem) - options.least
    rise = errors.rise(z, problem, found).with_usual(over, errors.rough)
    if rise.mean > 0:
        found = least_plane(replace(problem, need=problem.need - rise.mean))
    face = found.offset + found.turn * surface.x + found.lean * surface.y
    return Settled(found, rise, coat_under(face, surface.z, surface.area, options.least))


def coat_under(face: Array, z: Array, area: Array, least: float) -> Array:
    """Distance (n,) [m] from places at heights ``z`` to a ``face`` (n,) that stands on the likely highest spot.

    Where a place stands prouder than that it has the ``least`` cover: what is over is error. All places together must
    not get thicker by this, so what they have over the cover shrinks until the mean is that of face less wall.
    """
    bare = face - z
    covered = np.maximum(bare, least)
    mean, wanted = (float(np.average(part, weights=area)) for part in (covered, bare))
    if mean <= wanted or mean <= least:
        return covered
    return np.asarray(least + max(wanted - least, 0.0) / (mean - least) * (covered - least), dtype=np.float64)


def place(
    relief: Relief,
    wall: Wall,
    *,
    options: PlaneOptions | None = None,
    foot: float = 0.0,
    errors: Errors | None = None,
    out: float = 0.0,
) -> BuildUp:
    """Finish plane of least volume under the options, and the build-up it asks for (methods/finish-plane 1).

    ``foot`` [m] is z of the plane ``at_left_foot`` is measured from, ``errors`` those of the relief if they are drawn
    already, ``out`` [m] how much further out than that the plane stands to make room for strips. Raises `Infeasible`
    naming which fixed point or hump conflicts with which hollow and by how much, and `TooFewPoints` where nothing was
    measured.
    """
    options = options or PlaneOptions()
    surface = surface_of(relief)
    settled = settle(surface, options, errors or errors_of(relief, wall))
    if out:
        further = replace(settled.found, offset=settled.found.offset + out)
        settled = replace(settled, found=further, deep=settled.deep + out)
    found = settled.found
    plane = FinishPlane(found.offset, found.turn, found.lean, found.offset - foot, _rule(found, options, out))
    return build_up(relief, wall, plane, settled, options)


def build_up(relief: Relief, wall: Wall, plane: FinishPlane, settled: Settled, options: PlaneOptions) -> BuildUp:
    """Build-up under a plane that was settled.

    Thickness times the area of the (leaning) plane equals z distance times the wall's upright area, so the volume is
    summed from the latter and is exact. Cells without a reading take the mean of the measured ones by their area.
    """
    thickness = np.full(relief.offset.shape, np.nan)
    thickness[relief.valid] = settled.deep / math.sqrt(1 + plane.turn**2 + plane.lean**2)
    weights = relief.area[relief.valid]
    solid = thickness[relief.valid]
    doubt: Doubt = volume_doubt(relief, wall, settled.deep, settled.rise, options.least, options.background)
    notes = list(doubt.notes)
    unread = 1 - float(weights.sum()) / relief.net_area
    if unread > 5e-4:
        notes.insert(0, note("plan.not-measured", share=share(unread)))
    return BuildUp(
        plane,
        thickness,
        float(solid.min()),
        float(np.average(solid, weights=weights)),
        float(solid.max()),
        cubic_metres(float(np.average(settled.deep, weights=weights)) * relief.net_area, doubt.u),
        settled.found.contacts,
        tuple(notes),
        relief.net_area,
        doubt.low,
        doubt.high,
        doubt.order,
        settled.rise.mean,
    )

"""The plane the plasterer works to, how much stands between it and the wall, and what a plane cut free would cost."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from flatscan.core.errors import BadValue, TooFewPoints
from flatscan.core.geometry import Array
from flatscan.core.model import Relief, Wall
from flatscan.core.quantity import Quantity
from flatscan.plan.program import Contact, Held, Problem, Solution, best_plane, reduced
from flatscan.plan.volume import volume_doubt

# one-sided 95 % of a normal error: cover is asked of the wall as it may be, not as it was read (DESIGN, Finish plane)
K_COVER = 1.645
# how far around a fixed point the wall beside it is taken from, where it is given as proud of the wall
_BESIDE = 0.15


@dataclass(frozen=True, slots=True)
class FinishPlane:
    """z = offset + turn x + lean y in wall coordinates [m]; ``rule`` says how it was placed.

    ``at_left_foot`` is measured from the vertical plane through the wall fit's foot, or from the laser plane.
    """

    offset: float
    turn: float
    lean: float
    at_left_foot: float
    rule: str

    def at(self, x: Array, y: Array) -> Array:
        """Height z of the plane at x, y [m]."""
        return self.offset + self.turn * np.asarray(x, float) + self.lean * np.asarray(y, float)


@dataclass(frozen=True, eq=False)
class BuildUp:
    """Thickness (rows, cols) [m] from wall to finish plane along its normal, and its totals [m, m3].

    ``contacts`` are the places the plane rests on with the share each decides; ``u_parts`` the standard
    uncertainties [m3] that make up the volume's, by name; ``notes`` are sentences for the sheets. ``area`` [m2] is
    the net area the volume stands on.
    """

    plane: FinishPlane
    thickness: Array
    least: float
    mean: float
    most: float
    volume: Quantity
    contacts: tuple[Contact, ...] = ()
    u_parts: tuple[tuple[str, float | None], ...] = ()
    notes: tuple[str, ...] = ()
    area: float = 0.0


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
    the volume a departure must save.
    """

    least: float = 0.005
    most: float | None = None
    lean_up_to: float = 0.0
    turn_up_to: float = 0.0
    turn: float = 0.0
    lean: float = 0.0
    fixed: tuple[FixedPoint, ...] = ()
    worth: float = 0.02

    def __post_init__(self) -> None:
        numbers = {"least": self.least, "lean-up-to": self.lean_up_to, "turn-up-to": self.turn_up_to}
        numbers |= {} if self.most is None else {"most": self.most}
        for name, value in numbers.items():
            if not math.isfinite(value) or value < 0:
                raise BadValue(f"--{name}", f"{value}", needed="a number from 0 up", remedy="Give it without a sign")
        if self.most is not None and self.least > self.most:
            raise BadValue(
                "--least and --most",
                f"the least {self.least * 1e3:.1f} mm is over the most {self.most * 1e3:.1f} mm",
                needed="a least not over the most",
                remedy="Lower the least or raise the most",
            )
        for point in self.fixed:
            if not all(map(math.isfinite, (point.x, point.y, point.offset, point.band))) or point.band < 0:
                raise BadValue(
                    "--fix",
                    f"{point.x}, {point.y}, {point.offset}, band {point.band}",
                    needed="finite numbers and a band from 0 up",
                    remedy="Give x, y and offset in metres",
                )


@dataclass(frozen=True, eq=False)
class Surface:
    """The measured cells or stations of a relief as flat arrays: place, offset, random u and owned area."""

    x: Array
    y: Array
    z: Array
    u: Array
    area: Array

    @property
    def centre(self) -> tuple[float, float]:
        """Area centroid [m]."""
        return float(np.average(self.x, weights=self.area)), float(np.average(self.y, weights=self.area))


def surface_of(relief: Relief) -> Surface:
    """Flat arrays of all valid cells; raises `TooFewPoints` where none was measured."""
    if not relief.valid.any() or float(relief.area[relief.valid].sum()) <= 0:
        raise TooFewPoints(
            "wall",
            "no measured place that owns any area",
            needed="at least one reading on the wall",
            remedy="Check the outline, the openings and the region",
        )
    across, upward = relief.places
    keep = relief.valid
    u = np.where(np.isfinite(relief.u[keep]), relief.u[keep], 0.0)
    return Surface(across[keep], upward[keep], relief.offset[keep], u, relief.area[keep])


def _held(options: PlaneOptions, surface: Surface) -> tuple[Held, ...]:
    """Fixed points as height ranges; one given beside the wall is measured from the wall within 150 mm of it."""
    places = []
    for number, point in enumerate(options.fixed, 1):
        height = point.offset
        if point.beside:
            distance = np.hypot(surface.x - point.x, surface.y - point.y)
            near = distance <= max(_BESIDE, float(distance.min()))
            height += float(np.median(surface.z[near]))
        name = point.name or f"fixed point {number} at x {point.x:.2f} m, y {point.y:.2f} m"
        places.append(Held(point.x, point.y, height - point.band, height + point.band, name))
    return tuple(places)


def need_of(surface: Surface, options: PlaneOptions) -> Array:
    """Height (n,) the plane must reach over each cell [m]: the wall as it may be, plus the least cover."""
    return surface.z + K_COVER * surface.u + options.least


def problem_of(surface: Surface, options: PlaneOptions) -> Problem:
    """The linear program of these cells and options: cover over z + 1.645 u, cap over z."""
    problem = Problem(
        surface.x,
        surface.y,
        need_of(surface, options),
        None if options.most is None else surface.z + options.most,
        _held(options, surface),
        surface.centre,
        options.turn,
        options.lean,
        options.turn_up_to,
        options.lean_up_to,
        float(np.average(surface.z, weights=surface.area)),
        options.worth,
    )
    return reduced(problem)


def _rule(found: Solution, options: PlaneOptions) -> str:
    """How the plane was placed, in words."""
    words = ["plumb" if found.lean == 0 else f"leaning {found.lean * 1e3:+.1f} mm per m"]
    if found.turn == 0:
        words.append("along the wall's own line")
    else:
        words.append(f"turned {found.turn * 1e3:+.1f} mm per m")
    if options.fixed:
        words.append(f"through {len(options.fixed)} fixed point{'s' if len(options.fixed) > 1 else ''}")
    words.append(f"least cover {options.least * 1e3:g} mm")
    if options.most is not None:
        words.append(f"at most {options.most * 1e3:g} mm")
    return ", ".join(words)


def measure(relief: Relief, plane: FinishPlane) -> tuple[Array, Array, float]:
    """Thickness map along the plane's normal [m], z distance of the valid cells [m], and the net volume [m3].

    Thickness times the area of the (leaning) plane equals z distance times the wall's upright area, so the volume is
    summed from the latter and is exact. Cells without a reading take the mean of the measured ones by their area.
    """
    across, upward = relief.places
    distance = plane.at(across, upward) - relief.offset
    thickness = np.where(relief.valid, distance / math.sqrt(1 + plane.turn**2 + plane.lean**2), np.nan)
    deep = distance[relief.valid]
    mean = float(np.average(deep, weights=relief.area[relief.valid]))
    return thickness, deep, mean * relief.net_area


def place(relief: Relief, wall: Wall, *, options: PlaneOptions | None = None, foot: float = 0.0) -> BuildUp:
    """Finish plane of least volume under the options, and the build-up it asks for (DESIGN, Finish plane).

    ``foot`` [m] is z of the plane ``at_left_foot`` is measured from. Raises `Infeasible` naming which fixed point or
    hump conflicts with which hollow and by how much, and `TooFewPoints` where nothing was measured.
    """
    options = options or PlaneOptions()
    surface = surface_of(relief)
    problem = problem_of(surface, options)
    found = best_plane(problem)
    plane = FinishPlane(found.offset, found.turn, found.lean, found.offset - foot, _rule(found, options))
    return build_up(relief, wall, plane, problem=problem, contacts=found.contacts)


def build_up(
    relief: Relief,
    wall: Wall,
    plane: FinishPlane,
    *,
    problem: Problem | None = None,
    contacts: tuple[Contact, ...] = (),
) -> BuildUp:
    """Build-up under a given plane; with the ``problem`` it solves, the volume's uncertainty follows its freedoms."""
    thickness, deep, volume = measure(relief, plane)
    doubt = volume_doubt(relief, wall, deep, problem, contacts)
    solid = thickness[relief.valid]
    mean = float(np.average(solid, weights=relief.area[relief.valid]))
    notes = list(doubt.notes)
    unread = 1 - float(relief.area[relief.valid].sum()) / relief.net_area
    if unread > 5e-4:
        notes.insert(
            0,
            f"{unread * 100:.1f} % of the wall was not measured; its volume is taken from the mean of the rest, and "
            f"the doubt about that is in the ±",
        )
    return BuildUp(
        plane,
        thickness,
        float(solid.min()),
        mean,
        float(solid.max()),
        Quantity(volume, doubt.u),
        contacts,
        doubt.parts,
        tuple(notes),
        relief.net_area,
    )


@dataclass(frozen=True, slots=True)
class Optimum:
    """Plane z = offset + turn x [m], the share of the area cut, mean coat [m], cut volume [m3], and the cost."""

    offset: float
    turn: float
    cut_share: float
    mean: float
    cut_volume: float
    cost: float


def weighted_quantile(values: Array, weight: Array, share: float) -> float:
    """Least value with at least ``share`` of the weight at or under it."""
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weight[order])
    at = int(np.searchsorted(total, share * total[-1] * (1 - 1e-12)))
    return float(values[order][min(at, len(values) - 1)])


def least_cost(
    relief: Relief, *, cost_fill: float, cost_cut: float, least: float = 0.005, turn_up_to: float = 0.0
) -> Optimum:
    """Plumb plane that makes material plus hacking cheapest, with no limit on where or how deep to cut (METHODS 6).

    Costs are per m3 of material placed and of wall cut. Cost = sum [fill (P - z + e) + cut e] with
    e = max(0, z + least - P) is the pinball loss of z + least - P, so P is its quantile at cut / (cut + fill): the
    share fill / (cut + fill) of the area stands over it. It bounds what any list of hacks can save. Raises
    `BadValue` for costs that are not over 0.
    """
    from scipy.optimize import minimize_scalar

    if not (0 < cost_fill < math.inf and 0 < cost_cut < math.inf):
        raise BadValue(
            "costs",
            f"{cost_fill:g} to fill, {cost_cut:g} to cut",
            needed="two costs over 0, per m3",
            remedy="Give what a litre of material and a litre of masonry cut cost",
        )
    wall = surface_of(relief)
    middle = wall.centre[0]
    tau = cost_cut / (cost_cut + cost_fill)
    need = wall.z + least

    def level(turn: float) -> float:
        return weighted_quantile(need - turn * (wall.x - middle), wall.area, tau)

    def cost(turn: float) -> tuple[float, Array]:
        over = need - turn * (wall.x - middle) - level(turn)
        cut = np.maximum(over, 0.0)
        filled = cut - over + least
        return float(((cost_fill * filled + cost_cut * cut) * wall.area).sum()), over

    turn = 0.0
    if turn_up_to > 0:
        # the loss is convex in the turn, so a bounded search finds its one minimum
        search = minimize_scalar(
            lambda b: cost(b)[0], bounds=(-turn_up_to, turn_up_to), method="bounded", options={"xatol": 1e-9}
        )
        turn = float(search.x) if search.fun < cost(0.0)[0] else 0.0
    total, over = cost(turn)
    share = wall.area / wall.area.sum()
    cut = np.maximum(over, 0.0)
    scale = relief.net_area / float(wall.area.sum())
    return Optimum(
        level(turn) - turn * middle,
        turn,
        float(share[over > 1e-12].sum()),
        float((share * (cut - over)).sum()) + least,
        float((cut * wall.area).sum()) * scale,
        total * scale,
    )

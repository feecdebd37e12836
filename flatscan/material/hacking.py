"""Which humps set the plane, and what cutting them saves."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from flatscan.errors import BadValue, Infeasible
from flatscan.geometry import Array, Mask
from flatscan.material.cautions import HACKING
from flatscan.material.finish import PlaneOptions, Surface, problem_of, surface_of
from flatscan.material.humps import HumpOptions, Humps, find_humps
from flatscan.material.program import Solution, best_plane
from flatscan.model import Relief, Wall


@dataclass(frozen=True, slots=True)
class Hack:
    """One hump to cut, in the order in which humps govern; savings are cumulative, refill included [m, m2, m3].

    ``cut`` and ``area`` are what this hump takes when it and those before it are cut; ``cut_in_all`` its depth when
    the whole list is. ``adds`` [m3] is what it saves beyond those before it; ``pays`` whether that is worth more than
    the cutting at the costs given, None without costs. ``width`` and ``height`` [m] bound the hump.
    """

    x: float
    y: float
    cut: float
    area: float
    saves: float
    saves_bags: float | None
    mean_saved: float
    adds: float = 0.0
    cut_in_all: float = 0.0
    width: float = 0.0
    height: float = 0.0
    pays: bool | None = None


@dataclass(frozen=True, slots=True)
class HackOptions:
    """``most`` [m] is the deepest cut; costs per m3 of material and per m3 of masonry cut decide what pays.

    A cost per litre is 1000 times as much per m3; a cost per m2 and mm of hacking likewise. ``longest`` bounds the
    list, ``bags_per_m3`` turns savings into bags.
    """

    most: float = 0.010
    humps: HumpOptions = field(default_factory=HumpOptions)
    cost_fill: float | None = None
    cost_cut: float | None = None
    bags_per_m3: float | None = None
    longest: int = 20

    def __post_init__(self) -> None:
        costs = [cost for cost in (self.cost_fill, self.cost_cut) if cost is not None]
        if not 0 <= self.most < 1 or any(not np.isfinite(cost) or cost < 0 for cost in costs):
            raise BadValue(
                "--hack-most and costs",
                f"{self.most * 1e3:g} mm, {costs}",
                needed="a depth from 0 up and costs from 0 up",
                remedy="Give them without a sign",
            )


@dataclass(frozen=True, slots=True)
class HackPlan:
    """The list, why it ends where it does, and the cautions that stand before it."""

    hacks: tuple[Hack, ...]
    ends_because: str
    cautions: tuple[str, ...] = HACKING
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class _Stage:
    """The wall with some humps cut: plane, cut surface and volume."""

    found: Solution
    surface: Array
    volume: float


class _Cutter:
    """Cuts hump after hump on the flat arrays of one wall and places the plane anew each time."""

    def __init__(self, relief: Relief, wall: Wall, plane: PlaneOptions, options: HackOptions) -> None:
        self.options, self.plane = options, plane
        self.wall: Surface = surface_of(relief)
        self.humps: Humps = find_humps(relief, wall, options.humps)
        self.label = self.humps.label[relief.valid]
        self.free = ~self.humps.barred[relief.valid]
        self.share = relief.net_area / float(self.wall.area.sum())
        self.net = relief.net_area
        # fixed points beside the wall are taken from the wall as it stands, not as cut
        self.held = problem_of(self.wall, plane).held

    def stage(self, chosen: list[int]) -> _Stage:
        """Plane and volume with the chosen humps cut, each cell by at most the deepest cut."""
        cuttable = np.isin(self.label, chosen) & self.free
        lowered = replace(self.wall, z=np.where(cuttable, self.wall.z - self.options.most, self.wall.z))
        problem = replace(problem_of(lowered, self.plane), held=self.held)
        found = best_plane(problem)
        face = found.offset + found.turn * self.wall.x + found.lean * self.wall.y
        cut = np.where(cuttable, np.minimum(self.wall.z, face - self.plane.least), self.wall.z)
        volume = float(((face - cut) * self.wall.area).sum()) * self.share
        return _Stage(found, cut, volume)

    def index_of(self, x: float, y: float) -> int:
        """Flat index of the cell a contact stands on."""
        return int(np.argmin(np.hypot(self.wall.x - x, self.wall.y - y)))

    def governing(self, stage: _Stage) -> list[int]:
        """Flat indices of the cells the plane rests on, the weightiest first."""
        touching = sorted((c for c in stage.found.contacts if c.kind == "hump"), key=lambda c: -c.weight)
        return [self.index_of(c.x, c.y) for c in touching]


def _refusal(cutter: _Cutter, cell: int, chosen: list[int]) -> str | None:
    """Why the hump at a governing cell may not be cut (further), or None if it may."""
    number, place = int(cutter.label[cell]), f"x {cutter.wall.x[cell]:.2f} m, y {cutter.wall.y[cell]:.2f} m"
    humps, options = cutter.humps, cutter.options
    if number in chosen:
        return f"the hump at {place} is cut by the most allowed ({options.most * 1e3:g} mm) and still sets the plane"
    if not cutter.free[cell]:
        return f"the hump at {place} is within {options.humps.head_clear * 1e3:g} mm of an opening's head"
    if number in humps.broad:
        return f"the hump at {place} is a bulge over {options.humps.broad * 1e3:g} mm across"
    if number in humps.left:
        return (
            f"the hump at {place} is under {options.humps.workable * 1e3:g} mm across, less than a workable patch: "
            f"knock it off by hand if it is loose mortar, and read the wall again"
        )
    if number == 0:
        return f"the wall itself sets the plane at {place}: no narrow hump stands there"
    return None


def _record(cutter: _Cutter, relief: Relief, number: int, stage: _Stage, start: float, before: float) -> Hack:
    part = cutter.label == number
    depth = np.where(part, cutter.wall.z - stage.surface, 0.0)
    peak = int(np.argmax(np.where(part, cutter.wall.z, -np.inf)))
    bags = cutter.options.bags_per_m3
    saves, adds = start - stage.volume, before - stage.volume
    cut_volume = float((depth * cutter.wall.area).sum())
    costs = (cutter.options.cost_fill, cutter.options.cost_cut)
    pays = None if None in costs else bool(adds * (costs[0] or 0.0) > cut_volume * (costs[1] or 0.0))
    width, height = _size(relief, cutter.humps.label == number)
    return Hack(
        float(cutter.wall.x[peak]),
        float(cutter.wall.y[peak]),
        float(depth.max()),
        float(cutter.wall.area[depth > 1e-9].sum()),
        saves,
        None if bags is None else saves * bags,
        saves / cutter.net,
        adds,
        float(depth.max()),
        width,
        height,
        pays,
    )


def _size(relief: Relief, part: Mask) -> tuple[float, float]:
    rows, columns = np.flatnonzero(part.any(axis=1)), np.flatnonzero(part.any(axis=0))
    grow = relief.cell or 0.0
    return float(np.ptp(relief.x[columns])) + grow, float(np.ptp(relief.y[rows])) + grow


def _finished(cutter: _Cutter, hacks: list[Hack], chosen: list[int], stages: list[_Stage]) -> list[Hack]:
    """Without the tail that saves nothing, and with each hump's depth once the whole list is cut."""
    start = stages[0].volume
    while hacks and hacks[-1].adds <= 1e-6 * start:
        hacks.pop()
    if not hacks:
        return []
    last = stages[len(hacks)]
    depths = cutter.wall.z - last.surface
    return [
        replace(hack, cut_in_all=float(depths[cutter.label == number].max()))
        for hack, number in zip(hacks, chosen, strict=False)
    ]


def hacking_plan(
    relief: Relief,
    wall: Wall,
    *,
    plane: PlaneOptions | None = None,
    options: HackOptions | None = None,
    standing: tuple[str, ...] = (),
) -> HackPlan:
    """Humps in the order in which they govern, what cutting 1..k saves, and why the list ends (DESIGN, Hacking).

    The plane is placed anew with humps 1..k lowered by the deepest cut within their patches; the cut surface is the
    lower of the wall and that plane less the least cover, so what is over-dug is never counted. Savings are V0 - Vk
    [m3] before waste. Nothing is listed while a stop sign is ``standing``. `Infeasible` as `place`.
    """
    options, plane = options or HackOptions(), plane or PlaneOptions()
    if standing:
        return HackPlan((), f"no hacking while a stop sign stands: {standing[0]}")
    cutter = _Cutter(relief, wall, plane, options)
    stages, chosen, hacks = [cutter.stage([])], [], []  # type: list[_Stage], list[int], list[Hack]
    reason = f"the list stops at {options.longest} humps"
    while len(hacks) < options.longest:
        cells = cutter.governing(stages[-1])
        refused = [_refusal(cutter, cell, chosen) for cell in cells]
        if None not in refused:
            reason = refused[0] if refused and refused[0] else "fixed points alone set the plane"
            break
        chosen.append(int(cutter.label[cells[refused.index(None)]]))
        try:
            stages.append(cutter.stage(chosen))
        except Infeasible:
            chosen.pop()
            reason = "a lower plane would leave the most allowed thickness"
            break
        hacks.append(_record(cutter, relief, chosen[-1], stages[-1], stages[0].volume, stages[-2].volume))
    return HackPlan(tuple(_finished(cutter, hacks, chosen, stages)), reason, notes=_notes(relief, hacks))


def _notes(relief: Relief, hacks: list[Hack]) -> tuple[str, ...]:
    if relief.cell is None and hacks:
        return (
            "a hump read at one station is taken to fill the area that station owns: find its real size with a "
            "straightedge before cutting",
        )
    return ()


def hacks(
    relief: Relief,
    wall: Wall,
    *,
    plane: PlaneOptions | None = None,
    options: HackOptions | None = None,
    standing: tuple[str, ...] = (),
) -> tuple[Hack, ...]:
    """The list of `hacking_plan` alone."""
    return hacking_plan(relief, wall, plane=plane, options=options, standing=standing).hacks

"""Which humps set the plane, and what cutting them saves."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from flatscan.core.errors import BadValue, Infeasible
from flatscan.core.geometry import Array, Mask
from flatscan.core.model import Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import cubic_metres, metres, share, square_metres
from flatscan.plan.finish import PlaneOptions, Settled, coat_under, need_of, problem_of, settle
from flatscan.plan.hacking_work import minutes_of, rubble_of
from flatscan.plan.highest import Errors, errors_of
from flatscan.plan.humps import HumpOptions, Humps, find_humps
from flatscan.plan.program import Solution, worthwhile
from flatscan.plan.surface import Surface, surface_of

# a last hump that saves less than this share of the volume is not worth a line
_WORTH_LISTING = 1e-3

# said of humps to cut where nothing is known between the places read
AT_STATION = note("plan.hump-at-station")


@dataclass(frozen=True, slots=True)
class Hack:
    """One hump to cut, in the order in which humps govern; savings are cumulative, refill included [m, m2, m3].

    ``cut`` and ``area`` are what this hump takes when the whole list is cut, and ``cut_so_far`` its depth when only it
    and those before it are: cutting less would leave it in the way of the next. Depths are of the hump as measured.
    ``adds`` [m3] is what it saves beyond those before it; ``pays`` whether the list up to here is worth more than its
    cutting at the costs given, None without costs. ``width`` and ``height`` [m] bound the hump. ``number`` is its own
    in the plan without cuts, which it keeps when others are cut. ``minutes`` is one person's work on this hump and
    ``rubble`` [m3] what it leaves for the skip (`plan.hacking_work`). ``read_once``: one station's reading alone shows
    it, whose real size nobody knows.
    """

    x: float
    y: float
    cut: float
    area: float
    saves: float
    saves_bags: float | None
    mean_saved: float
    adds: float = 0.0
    cut_so_far: float = 0.0
    width: float = 0.0
    height: float = 0.0
    pays: bool | None = None
    number: int = 0
    minutes: float = 0.0
    rubble: float = 0.0
    read_once: bool = False


@dataclass(frozen=True, slots=True)
class HackOptions:
    """``most`` [m] is the deepest cut; costs per m3 of material and per m3 of masonry cut decide what pays.

    A cost per litre is 1000 times as much per m3; a cost per m2 and mm of hacking likewise. ``cost_hump`` is for each
    hump whatever its size. ``longest`` bounds the list, ``bags_per_m3`` turns savings into bags, ``hours_per_m3`` into
    one person's plastering: with it a list ends where cutting takes longer than it saves.
    """

    most: float = 0.010
    humps: HumpOptions = field(default_factory=HumpOptions)
    cost_fill: float | None = None
    cost_cut: float | None = None
    cost_hump: float = 0.0
    bags_per_m3: float | None = None
    hours_per_m3: float | None = None
    longest: int = 20

    def __post_init__(self) -> None:
        costs = [cost for cost in (self.cost_fill, self.cost_cut, self.cost_hump) if cost is not None]
        if not 0 <= self.most < 1 or any(not np.isfinite(cost) or cost < 0 for cost in costs):
            raise BadValue(
                "{set:hack_most} and costs",
                "{most:length.g}, costs {costs:number}",
                needed="a depth from 0 up and costs from 0 up",
                remedy="Give them without a sign",
                most=metres(self.most),
                costs=tuple(share(cost) for cost in costs),
            )


@dataclass(frozen=True, slots=True)
class HackPlan:
    """The list, and why it ends where it does.

    ``enough`` is the number of humps after which more cutting stops paying: the cheapest place to stop at the costs
    given, else where 95 % of what the list can save is saved.
    """

    hacks: tuple[Hack, ...]
    ends_because: Note
    notes: tuple[Note, ...] = ()
    enough: int = 0


@dataclass(frozen=True, eq=False)
class Stage:
    """The wall with some humps cut: plane, depth of cut (n,) [m], volume left to fill and volume cut [m3]."""

    settled: Settled
    depth: Array
    volume: float
    cut: float

    @property
    def found(self) -> Solution:
        """The plane."""
        return self.settled.found


class Cutter:
    """Cuts hump after hump on the flat arrays of one wall and places the plane anew each time."""

    def __init__(
        self, relief: Relief, wall: Wall, plane: PlaneOptions, options: HackOptions, errors: Errors | None = None
    ) -> None:
        self.options, self.plane, self.errors = options, plane, errors or errors_of(relief, wall)
        self.wall: Surface = surface_of(relief)
        self.humps: Humps = find_humps(relief, wall, options.humps)
        self.label = self.humps.label[relief.valid]
        self.free = ~self.humps.barred[relief.valid]
        self.share = relief.net_area / float(self.wall.area.sum())
        self.net = relief.net_area
        # fixed points beside the wall are taken from the wall as it stands, not as cut; and a turn or lean that was not
        # worth using before cutting is not taken up, or dropped, halfway down the list
        _, self.uncut = worthwhile(problem_of(self.wall, plane))

    def stage(self, chosen: list[int]) -> Stage:
        """Plane and volume with the chosen humps cut, each cell by at most the deepest cut."""
        cuttable = np.isin(self.label, chosen) & self.free
        lowered = self.wall.cut_to(self.wall.z - self.options.most, cuttable)
        held, turn, lean = self.uncut.held, self.uncut.turn_free, self.uncut.lean_free
        problem = replace(problem_of(lowered, self.plane), held=held, turn_free=turn, lean_free=lean)
        settled = settle(lowered, self.plane, self.errors, problem)
        found = settled.found
        face = found.offset + found.turn * self.wall.x + found.lean * self.wall.y
        # nothing is over-dug
        cut = np.where(cuttable, np.minimum(self.wall.z, face - self.plane.least), self.wall.z)
        deep = coat_under(face, cut, self.wall.area, self.plane.least)
        volume = float((deep * self.wall.area).sum()) * self.share
        depth = np.where(cuttable, np.clip(need_of(self.wall, self.plane) - face, 0.0, self.options.most), 0.0)
        return Stage(replace(settled, deep=deep), depth, volume, float((depth * self.wall.area).sum()))

    def index_of(self, x: float, y: float) -> int:
        """Flat index of the cell a contact stands on."""
        return int(np.argmin(np.hypot(self.wall.x - x, self.wall.y - y)))

    def governing(self, stage: Stage) -> list[int]:
        """Flat indices of the cells the plane rests on, the weightiest first."""
        touching = sorted((c for c in stage.found.contacts if c.kind == "hump"), key=lambda c: -c.weight)
        return [self.index_of(c.x, c.y) for c in touching]


def _refusal(cutter: Cutter, cell: int, chosen: list[int]) -> Note | None:
    """Why the hump at a governing cell may not be cut (further), or None if it may."""
    number, place = int(cutter.label[cell]), (float(cutter.wall.x[cell]), float(cutter.wall.y[cell]))
    humps, options = cutter.humps, cutter.options
    if number in chosen:
        return note("plan.hacking-at-most", place, most=metres(options.most))
    if not cutter.free[cell]:
        return note("plan.hacking-at-head", place, clear=metres(options.humps.head_clear))
    if number in humps.broad:
        return note("plan.hacking-bulge", place, broad=metres(options.humps.broad))
    if number in humps.leaning:
        return note("plan.hacking-leans", place)
    if number in humps.large:
        return note("plan.hacking-large", place, large=square_metres(options.humps.large))
    if number in humps.left:
        return note("plan.hacking-too-small", place, workable=metres(options.humps.workable))
    if number == 0:
        return note("plan.hacking-wall-then" if chosen else "plan.hacking-wall", place)
    return None


def _record(cutter: Cutter, relief: Relief, number: int, stages: list[Stage]) -> Hack:
    """One line of the list, at its own stage; `_finished` fills in what it takes when the whole list is cut."""
    part, now, start = cutter.label == number, stages[-1], stages[0].volume
    peak = int(np.argmax(np.where(part, cutter.wall.z, -np.inf)))
    options, saves = cutter.options, start - now.volume
    pays = None
    if options.cost_fill is not None and options.cost_cut is not None:
        pays = bool(_net_saving(options, stages, len(stages) - 1) > 0)
    width, height = _size(relief, cutter.humps.label == number)
    bags = None if options.bags_per_m3 is None else saves * options.bags_per_m3
    depth = float(now.depth[part].max())
    return Hack(
        float(cutter.wall.x[peak]),
        float(cutter.wall.y[peak]),
        depth,
        float(cutter.wall.area[part].sum()),
        saves,
        bags,
        saves / cutter.net,
        stages[-2].volume - now.volume,
        depth,
        width,
        height,
        pays,
        read_once=not relief.known_between and bool(np.count_nonzero(part) == 1),
    )


def _net_saving(options: HackOptions, stages: list[Stage], count: int) -> float:
    """Material saved less cutting, in the user's money, with the first ``count`` humps cut."""
    saved = (stages[0].volume - stages[count].volume) * (options.cost_fill or 0.0)
    return saved - stages[count].cut * (options.cost_cut or 0.0) - count * options.cost_hump


def _net_minutes(options: HackOptions, stages: list[Stage], count: int) -> float:
    """Plastering saved less cutting, in one person's minutes, with the first ``count`` humps cut."""
    saved = (stages[0].volume - stages[count].volume) * 60 * (options.hours_per_m3 or 0.0)
    return saved - minutes_of(stages[count].cut, count)


def _not_worth(options: HackOptions, hacks: list[Hack], stages: list[Stage], enough: int) -> Note:
    """What cutting on would save, and what it would take."""
    first, last = stages[enough], stages[len(hacks)]
    saves, more = first.volume - last.volume, len(hacks) - enough
    values = {
        "saves": cubic_metres(saves),
        "gain": round(saves * 60 * (options.hours_per_m3 or 0.0)),
        "minutes": round(minutes_of(last.cut - first.cut, more)),
        "rubble": cubic_metres(rubble_of(last.cut - first.cut)),
    }
    at = hacks[enough].x, hacks[enough].y
    return note("plan.hacking-not-worth-then" if enough else "plan.hacking-not-worth", at, count=more, **values)


def _enough(options: HackOptions, hacks: list[Hack], stages: list[Stage]) -> int:
    """How many humps of the list are worth cutting."""
    if not hacks:
        return 0
    if options.cost_fill is not None and options.cost_cut is not None:
        return int(np.argmax([_net_saving(options, stages, count) for count in range(len(hacks) + 1)]))
    if options.hours_per_m3 is not None:
        return int(np.argmax([_net_minutes(options, stages, count) for count in range(len(hacks) + 1)]))
    return next(count for count, hack in enumerate(hacks, 1) if hack.saves >= 0.95 * hacks[-1].saves)


def _size(relief: Relief, part: Mask) -> tuple[float, float]:
    return relief.size_of(*np.nonzero(part))


def _saving(hacks: list[Hack], stages: list[Stage]) -> list[Hack]:
    """Without the tail that saves nothing."""
    while hacks and hacks[-1].adds <= _WORTH_LISTING * stages[0].volume:
        hacks.pop()
    return hacks


def _finished(cutter: Cutter, hacks: list[Hack], chosen: list[int], stages: list[Stage]) -> list[Hack]:
    """With each hump's depth, area and work once the whole list is cut."""
    last = stages[len(hacks)]
    done = []
    for hack, number in zip(hacks, chosen, strict=False):
        part = cutter.label == number
        area = float(cutter.wall.area[part & (last.depth > 1e-9)].sum())
        out = float((last.depth[part] * cutter.wall.area[part]).sum())
        done.append(
            replace(
                hack, cut=float(last.depth[part].max()), area=area, minutes=minutes_of(out, 1), rubble=rubble_of(out)
            )
        )
    return done


def hacking_plan(
    relief: Relief,
    wall: Wall,
    *,
    plane: PlaneOptions | None = None,
    options: HackOptions | None = None,
    standing: tuple[Note, ...] = (),
    errors: Errors | None = None,
) -> HackPlan:
    """Humps in the order in which they govern, what cutting 1..k saves, and why the list ends.

    See methods/finish-plane 10.

    The plane is placed anew with humps 1..k lowered by the deepest cut within their patches; the cut surface is the
    lower of the wall and that plane less the least cover, so what is over-dug is never counted. Savings are V0 - Vk
    [m3] before waste. Nothing is listed while a stop sign is ``standing``; ``errors`` are those of the relief if they
    are drawn already. `Infeasible` as `place`.
    """
    options, plane = options or HackOptions(), plane or PlaneOptions()
    if standing:
        return HackPlan((), note("plan.hacking-stopped", sign=standing[0]))
    cutter = Cutter(relief, wall, plane, options, errors)
    stages, chosen, hacks = [cutter.stage([])], [], []  # type: list[Stage], list[int], list[Hack]
    reason = note("plan.hacking-longest", count=options.longest)
    while len(hacks) < options.longest:
        cells = cutter.governing(stages[-1])
        refused = [_refusal(cutter, cell, chosen) for cell in cells]
        if None not in refused:
            reason = refused[0] if refused and refused[0] else note("plan.hacking-fixed")
            break
        chosen.append(int(cutter.label[cells[refused.index(None)]]))
        try:
            stages.append(cutter.stage(chosen))
        except Infeasible:
            chosen.pop()
            reason = note("plan.hacking-over-most")
            break
        hacks.append(_record(cutter, relief, chosen[-1], stages))
    hacks = _saving(hacks, stages)
    enough = _enough(options, hacks, stages)
    if options.hours_per_m3 is not None and enough < len(hacks):
        reason = _not_worth(options, hacks, stages, enough)
        hacks = hacks[:enough]
    hacks = _finished(cutter, hacks, chosen, stages)
    said = (AT_STATION,) if any(hack.read_once for hack in hacks) else ()
    return HackPlan(tuple(hacks), reason, notes=said, enough=enough)


def hacks(
    relief: Relief,
    wall: Wall,
    *,
    plane: PlaneOptions | None = None,
    options: HackOptions | None = None,
    standing: tuple[Note, ...] = (),
) -> tuple[Hack, ...]:
    """The list of `hacking_plan` alone."""
    return hacking_plan(relief, wall, plane=plane, options=options, standing=standing).hacks

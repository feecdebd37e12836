"""How a build-up splits into coats zone by zone, and what to order for them, one line a product, rounded up once."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.errors import Infeasible
from flatscan.core.geometry import Array
from flatscan.core.model import Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import COVER, metres, share
from flatscan.plan.finish import BuildUp
from flatscan.plan.materials import SAND, Coat, System, batch
from flatscan.plan.systems import available, load

_SLACK = 1e-9
# a hair over a tenth from rounding of floats is that tenth
_HAIR = 1e-9
# the share of the wall that still counts as patches, where a system may go thicker in patches (common practice)
PATCH_SHARE = 0.10
Rate = tuple[float, float]
# both ends of 95 %, and what covers 90 %, as chances
_LOW, _HIGH, _ORDER = 0.025, 0.975, 0.90
# where a survey's low, likely, order and high stand among normal errors
_STANDS = (-COVER, 0.0, 1.2816, COVER)
# so many equally likely values stand for a range, which tells its ends to a part in a thousand
_CHANCES = (np.arange(400) + 0.5) / 400
# what sand is sold by
LOOSE = "m3 loose"


@dataclass(frozen=True, eq=False)
class Pass:
    """One pass over the wall, from the wall outward: thickness (n,) per measured cell [m]; 0 where it is not needed.

    ``name`` is the coat's own, or a note where the pass goes under it.
    """

    name: Note | str
    coat: Coat
    thickness: Array
    wait: tuple[float, float]
    local: bool


@dataclass(frozen=True, slots=True)
class Band:
    """A zone of build-up from ``low`` to ``high`` [m]: what it is, its area [m2], volume [m3] and passes.

    ``coats`` names the passes from the wall outward with the mean thickness [m] of each in the zone.
    """

    low: float
    high: float
    what: Note
    area: float
    volume: float
    passes: int
    coats: tuple[tuple[Note | str, float], ...] = ()


# decision ladder of the trade [m]: derived and from memory, all of it a matter of setting
LADDER = (
    (0.000, 0.005, note("plan.band-too-thin")),
    (0.005, 0.008, note("plan.band-thin")),
    (0.008, 0.013, note("plan.band-normal")),
    (0.013, 0.020, note("plan.band-tight-coat")),
    (0.020, 0.025, note("plan.band-two-passes")),
    (0.025, 0.040, note("plan.band-dub-out")),
    (0.040, math.inf, note("plan.band-board")),
)


def reachable(system: System, build_up: BuildUp, relief: Relief) -> bool:
    """Whether the system's coats, dubbing and patches reach the thickest place."""
    if build_up.most <= system.reach + _SLACK:
        return True
    if system.patch_reach is None or build_up.most > system.patch_reach + _SLACK:
        return False
    deep = build_up.thickness > system.reach + _SLACK
    return float(relief.area[deep].sum()) <= PATCH_SHARE * build_up.area


def systems_that_reach(build_up: BuildUp, relief: Relief) -> tuple[str, ...]:
    """Names of the shipped systems whose coats reach the thickest place."""
    return tuple(name for name in available() if reachable(load(name), build_up, relief))


def cannot_reach(system: System, build_up: BuildUp, relief: Relief) -> Infeasible | None:
    """The error for a system that cannot reach the thickness, saying which can; None where it can."""
    if reachable(system, build_up, relief):
        return None
    others = systems_that_reach(build_up, relief)
    can = "{others} can" if others else "no shipped system can: board or rebuild, and look at the structure"
    values: dict[str, object] = {"others": ", ".join(others), "most": metres(build_up.most)}
    patches = ""
    if system.patch_reach is not None:
        patches = " ({in_patches:length.g} in patches of at most {patches:share} of the wall)"
        values |= {"in_patches": metres(system.patch_reach), "patches": share(PATCH_SHARE)}
    return Infeasible(
        "system {system}",
        "the build-up reaches {most:length.1}",
        needed=f"at most {{reach:length.g}} in all for this system{patches}",
        remedy=f"Choose another ({can}), cut the hump that sets the face, or allow a lean or a turn",
        system=system.name,
        reach=metres(system.reach),
        **values,
    )


def split(system: System, thickness: Array) -> tuple[Pass, ...]:
    """Passes from the wall outward for thickness (n,) [m].

    The coats of constant thickness stand at the face; under them the last base pass goes everywhere up to its most,
    earlier base passes and then dubbing out take only what is left, where it is left.
    """
    rest = np.maximum(np.asarray(thickness, float), 0.0)
    passes: list[Pass] = []
    for coat in reversed(system.coats):
        if coat.nominal is not None:
            layer = np.minimum(rest, coat.nominal)
            passes.append(Pass(coat.name, coat, layer, _wait(coat, layer), local=False))
            rest = rest - layer
            continue
        for number in range(coat.passes):
            layer = np.minimum(rest, coat.most)
            if number and not (layer > _SLACK).any():
                break
            name = coat.name if number == 0 else note("plan.pass-under", coat=coat.name)
            passes.append(Pass(name, coat, layer, _wait(coat, layer), local=number > 0))
            rest = rest - layer
    return tuple(reversed(passes + _dubbing(system, rest)))


def _wait(coat: Coat, layer: Array) -> Rate:
    """The wait after a pass [h]: the thickest place decides."""
    return coat.waits(float(layer.max(initial=0.0)))


def _dubbing(system: System, rest: Array) -> list[Pass]:
    """Dubbing out in passes of at most its own thickness; patches beyond a one-coat system go in one piece."""
    base, passes = system.base, []  # type: Coat, list[Pass]
    most, wait = (system.dubbing.most, system.dubbing.wait) if system.dubbing else (math.inf, None)
    while (rest > _SLACK).any():
        layer = np.minimum(rest, most)
        name = note("plan.dubbing-pass", number=len(passes) + 1) if passes else note("plan.dubbing")
        passes.append(Pass(name, base, layer, wait or _wait(base, layer), local=True))
        rest = rest - layer
    return passes


def bands(build_up: BuildUp, relief: Relief, system: System | None = None) -> tuple[Band, ...]:
    """Zones of the decision ladder that occur on the wall, with area and volume each; unmeasured cells are in none."""
    keep = relief.valid
    thick, area = build_up.thickness[keep], relief.area[keep]
    zones = []
    for low, high, what in LADDER:
        here = (thick >= (low if low > 0 else -math.inf)) & (thick < high)
        if not here.any():
            continue
        coats = () if system is None else _zone_coats(system, thick[here], area[here])
        zones.append(
            Band(low, high, what, float(area[here].sum()), float((thick * area)[here].sum()), max(len(coats), 1), coats)
        )
    return tuple(zones)


def _zone_coats(system: System, thickness: Array, area: Array) -> tuple[tuple[Note | str, float], ...]:
    """Name and mean thickness [m] of every pass that some place of the zone needs."""
    passes = split(system, thickness)
    means = ((p.name, float((p.thickness * area).sum()) / float(area.sum())) for p in passes)
    return tuple((name, mean) for name, mean in means if mean > _SLACK)


@dataclass(frozen=True, slots=True)
class CoatLayer:
    """One coat: mean ``thickness`` [m], ``kg`` and its ``bags`` as a fraction (rounded once, in all), both with waste.

    ``bags`` are None where the product is not sold by the bag. ``area`` [m2] is where it goes, ``water`` (low, high)
    [m3] what goes with all its bags.
    """

    name: Note | str
    thickness: float
    kg: float
    bags: float | None
    product: str = ""
    area: float = 0.0
    water: Rate | None = None


@dataclass(frozen=True, slots=True)
class OrderLine:
    """One product to order: kg after waste, the 95 % range of bags by consumption and survey, and the order.

    ``wanted`` is enough nine times in ten, and ``order`` that rounded up. ``unit`` is what it is sold by: a bag of its
    size, or loose volume, which is ordered in m3 instead of bags. ``loose`` is the volume of one bag [m3] where it is
    measured by that as well.
    """

    product: str
    unit: str
    kg: float | None
    low: float
    high: float
    wanted: float
    order: float
    loose: float | None = None

    @property
    def span(self) -> tuple[float, float]:
        """Both ends rounded outward: bags in tenths, loose volume in hundredths."""
        step = 10 if self.in_bags else 100
        return math.floor(self.low * step + _HAIR) / step, math.ceil(self.high * step - _HAIR) / step

    @property
    def in_bags(self) -> bool:
        """Whether it is sold by the bag."""
        return self.unit != LOOSE


def bags_per_m3(system: System) -> float | None:
    """Bags, as a fraction and before waste, in a m3 of the base coat placed; None where it is not sold by the bag."""
    base = system.base
    if base.mix is not None:
        return batch(1.0, base.mix).binder / base.mix.bag
    return None if base.bag is None else base.mean_rate / base.bag


def _rate(coat: Coat, rate: Rate | None) -> Rate:
    return rate if rate is not None and coat.nominal is None else coat.rate


def layer_of(item: Pass, area: Array, waste: float, rate: Rate | None = None) -> CoatLayer:
    """One pass as the order sees it; its thickness is the mean over the whole wall of areas (n,) [m2]."""
    volume = float((item.thickness * area).sum())
    low, high = _rate(item.coat, rate)
    kg = volume * (low + high) / 2 * (1 + waste)
    bags = None
    if item.coat.mix is not None:
        bags = batch(volume, item.coat.mix).binder * (1 + waste) / item.coat.mix.bag
    elif item.coat.bag is not None:
        bags = kg / item.coat.bag
    water = item.coat.water
    return CoatLayer(
        item.name,
        volume / float(area.sum()),
        kg,
        bags,
        item.coat.product,
        float(area[item.thickness > _SLACK].sum()),
        None if water is None or bags is None else (water[0] * bags / 1e3, water[1] * bags / 1e3),
    )


def order_of(
    layers: tuple[CoatLayer, ...],
    passes: tuple[Pass, ...],
    area: Array,
    build_up: BuildUp,
    waste: float,
    rate: Rate | None = None,
) -> tuple[OrderLine, ...]:
    """One line a product, rounded up once: what consumption and survey together are enough for nine times in ten."""
    lines: list[OrderLine] = []
    for product in dict.fromkeys(layer.product for layer in layers):
        mine = [(layer, p) for layer, p in zip(layers, passes, strict=True) if layer.product == product]
        placed = sum(float((p.thickness * area).sum()) for _, p in mine)
        coat = mine[0][1].coat
        ends = _ends([p for _, p in mine], placed, build_up, rate)
        bags = [layer.bags for layer, _ in mine if layer.bags is not None]
        size = coat.mix.bag if coat.mix else coat.bag
        if bags and size:
            # by these words a shop sells it and a site adds it up: the kg printed on the bag, also on sheets in inches
            name = coat.mix.binder if coat.mix else product
            line = _line(name, f"{size:g} kg bag", sum(bags) * size, sum(bags), ends)
            lines.append(line if coat.mix is None else replace(line, loose=coat.mix.box))
        if coat.mix:
            sand = batch(placed, coat.mix).sand * (1 + waste)
            lines.append(_line(SAND, LOOSE, None, sand, ends))
    names = [(line.product, line.unit) for line in lines]
    # two products mixed on site take the same cement and the same sand
    return tuple(lines) if len(set(names)) == len(names) else combined_order([tuple(lines)])


def _ends(passes: list[Pass], placed: float, build_up: BuildUp, rate: Rate | None) -> tuple[float, float, float]:
    """Low, high and order of a product over its mean: quantiles of what a volume takes times the volume.

    What it takes is as likely anywhere in its range (JCGM 100:2008, 4.3.7): of the bag by weight, of a site mix by
    loose volume, whose weight does not move it. The volume is as the survey knows it, joined straight between its own
    quantiles. Only the base coats carry that doubt, since the others are the same everywhere.
    """
    low, high = _rate(passes[0].coat, rate)
    half = (high - low) / (high + low) if rate is not None and passes[0].coat.mix is None else passes[0].coat.spread
    likely = build_up.volume.value
    moves = placed > 0 and any(p.coat.nominal is None for p in passes)
    known = [likely if end is None else end for end in (build_up.low, likely, build_up.order, build_up.high)]
    off = np.array([(end - likely) / placed if moves else 0.0 for end in known])
    if half == 0 or np.abs(off).max() < _HAIR:
        # either alone: its own ends
        ends = 1 + off[[0, 3, 2]] if half == 0 else 1 + half * (2 * np.array([_LOW, _HIGH, _ORDER]) - 1)
    else:
        taken = np.outer(1 + half * (2 * _CHANCES - 1), 1 + _volumes(off))
        ends = np.quantile(taken, [_LOW, _HIGH, _ORDER])
    least, most, wanted = (max(0.0, float(end)) for end in ends)
    return least, most, wanted


def _volumes(off: Array) -> Array:
    """Equally likely departures of a volume from its likely value, of which four quantiles (4,) are known."""
    from scipy.special import ndtri

    at = ndtri(_CHANCES)
    below, above = (off[1] - off[0]) / COVER, (off[3] - off[1]) / COVER
    beyond = below * np.minimum(at + COVER, 0.0) + above * np.maximum(at - COVER, 0.0)
    volumes: Array = np.interp(at, _STANDS, off) + beyond
    return volumes


def _line(product: str, unit: str, kg: float | None, mean: float, ends: tuple[float, float, float]) -> OrderLine:
    low, high, wanted = (mean * end for end in ends)
    return OrderLine(product, unit, kg, low, high, wanted, whole(wanted, unit))


def whole(amount: float, unit: str) -> float:
    """Up to the next bag, or to the next tenth of a m3 of sand."""
    # a hair over a whole bag from rounding of floats must not cost a bag
    step = 10 if unit == LOOSE else 1
    return math.ceil(amount * step - 1e-9) / step


def combined_order(orders: Iterable[tuple[OrderLine, ...]]) -> tuple[OrderLine, ...]:
    """One order for several walls: fractions of bags add up product by product and are rounded up once.

    The ranges add end to end, since walls read with one instrument and floated from one pallet err together.
    """
    sums: dict[tuple[str, str], OrderLine] = {}
    for line in (line for order in orders for line in order):
        old = sums.get((line.product, line.unit))
        if old is not None:
            kg = None if line.kg is None or old.kg is None else old.kg + line.kg
            ends = {name: getattr(old, name) + getattr(line, name) for name in ("low", "high", "wanted")}
            line = replace(old, kg=kg, **ends)  # noqa: PLW2901
        sums[line.product, line.unit] = line
    return tuple(replace(line, order=whole(line.wanted, line.unit)) for line in sums.values())


def bags_of(order: tuple[OrderLine, ...]) -> tuple[int, tuple[float, float]] | None:
    """Whole bags to order and those wanted (95 %), in tenths, over all products in bags; None where there are none."""
    bags = [line for line in order if line.in_bags]
    if not bags:
        return None
    least, most = (round(sum(line.span[end] for line in bags), 1) for end in (0, 1))
    return int(sum(line.order for line in bags)), (least, most)

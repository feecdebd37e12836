"""Coats as the order sees them, and one line a product, rounded up once."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from flatscan.core.geometry import Array
from flatscan.core.quantity import Quantity
from flatscan.plan.coats import Pass
from flatscan.plan.mix import batch
from flatscan.plan.systems import Coat, System

Rate = tuple[float, float]
# half the width of a rectangular range over its standard uncertainty (JCGM 100:2008, 4.3.7)
_ROOT3 = math.sqrt(3.0)
_SAND = "m3 loose"


@dataclass(frozen=True, slots=True)
class CoatLayer:
    """One coat: mean ``thickness`` [m], ``kg`` before waste, and its ``bags`` as a fraction (rounded once, in all).

    ``bags`` are after waste; None where the product is not sold by the bag. ``area`` [m2] is where it goes.
    """

    name: str
    thickness: float
    kg: float
    bags: float | None
    product: str = ""
    area: float = 0.0


@dataclass(frozen=True, slots=True)
class OrderLine:
    """One product to order: kg after waste, the range of bags with its consumption and the survey's ±, and the order.

    ``unit`` is the bag's size in words. Sand is ordered by loose volume, ``amount`` [m3] instead of bags.
    """

    product: str
    unit: str
    kg: float | None
    low: float
    high: float
    order: float


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
    kg = volume * (low + high) / 2
    bags = None
    if item.coat.mix is not None:
        bags = batch(volume, item.coat.mix).binder * (1 + waste) / item.coat.mix.bag
    elif item.coat.bag is not None:
        bags = kg * (1 + waste) / item.coat.bag
    return CoatLayer(
        item.name, volume / float(area.sum()), kg, bags, item.coat.product, float(area[item.thickness > 1e-9].sum())
    )


def order_of(
    layers: tuple[CoatLayer, ...],
    passes: tuple[Pass, ...],
    area: Array,
    volume: Quantity,
    waste: float,
    rate: Rate | None = None,
) -> tuple[OrderLine, ...]:
    """One line a product, rounded up once: the upper end of consumption and survey together is what to order."""
    lines: list[OrderLine] = []
    for product in dict.fromkeys(layer.product for layer in layers):
        mine = [(layer, p) for layer, p in zip(layers, passes, strict=True) if layer.product == product]
        placed = sum(float((p.thickness * area).sum()) for _, p in mine)
        coat = mine[0][1].coat
        wide = 1.645 * _relative_u([p for _, p in mine], placed, volume, rate)
        bags = [layer.bags for layer, _ in mine if layer.bags is not None]
        size = coat.mix.bag if coat.mix else coat.bag
        if bags and size:
            name = f"{product}: binder" if coat.mix else product
            lines.append(_line(name, f"{size:g} kg bag", sum(bags) * size, sum(bags), wide))
        if coat.mix:
            sand = batch(placed, coat.mix).sand * (1 + waste)
            lines.append(_line(f"{product}: sand", _SAND, None, sand, wide))
    return tuple(lines)


def _relative_u(passes: list[Pass], placed: float, volume: Quantity, rate: Rate | None) -> float:
    """Relative u of a product's amount: consumption (rectangular) and the survey's volume (JCGM 100:2008, 5.1.6).

    Only the base coats carry the volume's, since the others are the same everywhere. Binder and sand go by volume
    placed, so the spread of the mortar's weight does not move them.
    """
    low, high = _rate(passes[0].coat, rate)
    spread = 0.0 if passes[0].coat.mix else (high - low) / (high + low) / _ROOT3
    moves = volume.u is not None and placed > 0 and any(p.coat.nominal is None for p in passes)
    return math.hypot(spread, (volume.u or 0.0) / placed if moves else 0.0)


def _line(product: str, unit: str, kg: float | None, mean: float, wide: float) -> OrderLine:
    low, high = mean * max(0.0, 1 - wide), mean * (1 + wide)
    return OrderLine(product, unit, kg, low, high, _rounded(high, unit))


def _rounded(amount: float, unit: str) -> float:
    """Up to the next bag, or to the next tenth of a m3 of sand."""
    # a hair over a whole bag from rounding of floats must not cost a bag
    step = 10 if unit == _SAND else 1
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
            line = replace(old, kg=kg, low=old.low + line.low, high=old.high + line.high)  # noqa: PLW2901
        sums[line.product, line.unit] = line
    return tuple(replace(line, order=_rounded(line.high, line.unit)) for line in sums.values())


def bags_of(order: tuple[OrderLine, ...]) -> tuple[int, tuple[float, float]] | None:
    """Whole bags to order and their range over all products sold by the bag; None where there are none."""
    bags = [line for line in order if line.unit != _SAND]
    if not bags:
        return None
    least = sum(_rounded(line.low, line.unit) for line in bags)
    most = sum(line.order for line in bags)
    return int(most), (float(least), float(most))

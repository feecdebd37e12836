"""What a plane cut free of all limits would cost: a bound on what any list of cuts can save."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array
from flatscan.core.model import Relief
from flatscan.core.quantity import share
from flatscan.plan.surface import surface_of


@dataclass(frozen=True, slots=True)
class Optimum:
    """Plane z = offset + turn x [m], the share of the area cut, mean coat [m], cut volume [m3], and the cost."""

    offset: float
    turn: float
    cut_share: float
    mean: float
    cut_volume: float
    cost: float


def weighted_quantile(values: Array, weight: Array, part: float) -> float:
    """Least value with at least ``part`` of the weight at or under it."""
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weight[order])
    at = int(np.searchsorted(total, part * total[-1] * (1 - 1e-12)))
    return float(values[order][min(at, len(values) - 1)])


def least_cost(
    relief: Relief, *, cost_fill: float, cost_cut: float, least: float = 0.005, turn_up_to: float = 0.0
) -> Optimum:
    """Plumb plane that makes material plus hacking cheapest, with no limit on where or how deep to cut.

    See methods/finish-plane 11.

    Costs are per m3 of material placed and of wall cut. Cost = sum [fill (P - z + e) + cut e] with
    e = max(0, z + least - P) is the pinball loss of z + least - P, so P is its quantile at cut / (cut + fill): the
    share fill / (cut + fill) of the area stands over it. It bounds what any list of hacks can save. Raises
    `BadValue` for costs that are not over 0.
    """
    from scipy.optimize import minimize_scalar

    if not (0 < cost_fill < math.inf and 0 < cost_cut < math.inf):
        raise BadValue(
            "costs",
            "{fill:number} to fill, {cut:number} to cut",
            needed="two costs over 0, per m3",
            remedy="Give what a litre of material and a litre of masonry cut cost",
            fill=share(cost_fill),
            cut=share(cost_cut),
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
    owned = wall.area / wall.area.sum()
    cut = np.maximum(over, 0.0)
    scale = relief.net_area / float(wall.area.sum())
    return Optimum(
        level(turn) - turn * middle,
        turn,
        float(owned[over > 1e-12].sum()),
        float((owned * (cut - over)).sum()) + least,
        float((cut * wall.area).sum()) * scale,
        total * scale,
    )

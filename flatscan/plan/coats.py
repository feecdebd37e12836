"""How a build-up splits into coats, zone by zone."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from flatscan.core.errors import Infeasible
from flatscan.core.geometry import Array
from flatscan.core.model import Relief
from flatscan.plan.finish import BuildUp
from flatscan.plan.systems import Coat, System, available, load

_SLACK = 1e-9
# the share of the wall that still counts as patches, where a system may go thicker in patches (common practice)
PATCH_SHARE = 0.10


@dataclass(frozen=True, eq=False)
class Pass:
    """One pass over the wall, from the wall outward: thickness (n,) per measured cell [m]; 0 where it is not needed."""

    name: str
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
    what: str
    area: float
    volume: float
    passes: int
    coats: tuple[tuple[str, float], ...] = ()


# decision ladder of the trade [m]: derived and from memory, all of it a matter of setting
LADDER = (
    (0.000, 0.005, "too thin: hack the wall or move the plane out"),
    (0.005, 0.008, "thin coat"),
    (0.008, 0.013, "normal"),
    (0.013, 0.020, "tight coat first, extra over"),
    (0.020, 0.025, "two passes, extra over"),
    (0.025, 0.040, "dub out in 2 to 3 passes, mesh, notice before starting"),
    (0.040, math.inf, "board or rebuild, and look at the structure"),
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
    can = f"{', '.join(others)} can" if others else "no shipped system can: board or rebuild, and look at the structure"
    patches = ""
    if system.patch_reach is not None:
        patches = f" ({system.patch_reach * 1e3:g} mm in patches of at most {PATCH_SHARE:.0%} of the wall)"
    return Infeasible(
        f"system {system.name}",
        f"the build-up reaches {build_up.most * 1e3:.1f} mm",
        needed=f"at most {system.reach * 1e3:g} mm in all for this system{patches}",
        remedy=f"Choose another ({can}), cut the hump that sets the plane, or allow a lean or a turn",
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
            passes.append(Pass(coat.name, coat, layer, coat.wait, local=False))
            rest = rest - layer
            continue
        for number in range(coat.passes):
            layer = np.minimum(rest, coat.most)
            if number and not (layer > _SLACK).any():
                break
            name = coat.name if number == 0 else f"{coat.name}, pass under it"
            passes.append(Pass(name, coat, layer, coat.wait, local=number > 0))
            rest = rest - layer
    return tuple(reversed(passes + _dubbing(system, rest)))


def _dubbing(system: System, rest: Array) -> list[Pass]:
    """Dubbing out in passes of at most its own thickness; patches beyond a one-coat system go in one piece."""
    base, passes = system.base, []  # type: Coat, list[Pass]
    most, wait = (system.dubbing.most, system.dubbing.wait) if system.dubbing else (math.inf, base.wait)
    while (rest > _SLACK).any():
        layer = np.minimum(rest, most)
        name = "dubbing out" if not passes else f"dubbing out, pass {len(passes) + 1}"
        passes.append(Pass(name, base, layer, wait, local=True))
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


def _zone_coats(system: System, thickness: Array, area: Array) -> tuple[tuple[str, float], ...]:
    """Name and mean thickness [m] of every pass that some place of the zone needs."""
    passes = split(system, thickness)
    means = ((p.name, float((p.thickness * area).sum()) / float(area.sum())) for p in passes)
    return tuple((name, mean) for name, mean in means if mean > _SLACK)


def timeline(system: System, passes: tuple[Pass, ...]) -> tuple[str, ...]:
    """The coats in order with what to wait for, and when the wall may be painted, as sentences for a sheet."""
    told = []
    for number, item in enumerate(passes, 1):
        name = item.name[0].upper() + item.name[1:]
        where = " where it is called for" if item.local else ""
        told.append(f"{number}. {name}{where}.{_wait(item) if number < len(passes) else ''}")
    if system.use_within:
        told.append(f"Use: {system.use_within}.")
    if system.dry_per_mm:
        told.append(f"Drying: {system.dry_per_mm:g} day for each mm.")
    if system.paint_after:
        told.append(f"Paint or tile: {system.paint_after}.")
    return tuple(told)


def _wait(item: Pass) -> str:
    low, high = item.wait
    if high <= 0:
        return ""
    days, unit = (24.0, "days") if low >= 48 else (1.0, "h")
    span = f"{low / days:g}" if low == high else f"{low / days:g} to {high / days:g}"
    return f" Then wait {span} {unit}."

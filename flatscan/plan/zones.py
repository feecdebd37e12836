"""Parts of a wall that are deeper than a pass of the coat, and are filled by themselves before it."""

from __future__ import annotations

import string
from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.model import Counts, Relief
from flatscan.plan.coats import Pass, split
from flatscan.plan.finish import BuildUp
from flatscan.plan.materials import System

_SLACK = 1e-9
# a pass that more of the wall than this takes goes everywhere; what fewer places take is filled as zones (setting)
_EVERYWHERE = 0.5
# a zone is at least this large and deep [m2, m3, m] (setting): what is less is laid on with the coat
_LEAST_AREA, _LEAST_VOLUME, _LEAST_DEEP = 0.02, 0.00005, 0.001
_MOST_ZONES = 9


@dataclass(frozen=True, slots=True)
class Zone:
    """A part of the wall deeper than a pass: filled first in ``passes`` of ``each`` [m] at its deepest place x, y [m].

    ``volume`` [m3] is what is filled, over ``area`` [m2]; left, bottom, width and height [m] bound it.
    """

    name: str
    x: float
    y: float
    left: float
    bottom: float
    width: float
    height: float
    area: float
    volume: float
    passes: int
    each: float


def filled_apart(item: Pass, area: Array) -> bool:
    """Whether a pass goes to some places only, which are filled before the coat."""
    return item.local and float(area[item.thickness > _SLACK].sum()) < _EVERYWHERE * float(area.sum())


def passes_of(system: System, build_up: BuildUp, relief: Relief) -> tuple[Pass, ...]:
    """The passes of a wall as they are worked: what is too small to be filled by itself is laid on with the coat.

    A pass that only such places would take is none. The sum of all is the build-up, place by place.
    """
    passes, area = split(system, build_up.thickness[relief.valid]), relief.area[relief.valid]
    apart = [filled_apart(p, area) for p in passes]
    coats = [k for k, p in enumerate(passes) if not apart[k] and p.coat.nominal is None]
    if not any(apart) or not coats:
        return passes
    zoned = zones_of(system, build_up, relief)[0][relief.valid] > 0
    found, rest = list(passes), np.zeros_like(area)
    for k, item in enumerate(passes):
        if apart[k]:
            found[k] = replace(item, thickness=np.where(zoned, item.thickness, 0.0))
            rest += np.where(zoned, 0.0, item.thickness)
    coat = found[coats[-1]]
    found[coats[-1]] = replace(coat, thickness=coat.thickness + rest)
    return tuple(p for k, p in enumerate(found) if not apart[k] or (p.thickness > _SLACK).any())


def zones_of(system: System, build_up: BuildUp, relief: Relief) -> tuple[Counts, tuple[Zone, ...]]:
    """Each cell's zone (rows, cols), 0 for none, and the zones, the deepest first: connected places deeper than a pass.

    Each takes as many passes as its deepest place, all alike. What is too small to be filled by itself is in none.
    """
    area = relief.area[relief.valid]
    layers = [p.thickness for p in split(system, build_up.thickness[relief.valid]) if filled_apart(p, area)]
    fill, passes = np.zeros(relief.offset.shape), np.zeros(relief.offset.shape, dtype=np.int64)
    fill[relief.valid] = sum(layers, np.zeros_like(area))
    passes[relief.valid] = sum((layer > _SLACK for layer in layers), np.zeros(area.shape, dtype=np.int64))
    labels, count = relief.connected(fill > _SLACK)
    found = []
    for number in range(1, count + 1):
        zone = _zone(relief, labels == number, fill, passes)
        if zone.area >= _LEAST_AREA and zone.volume >= _LEAST_VOLUME and zone.each * zone.passes >= _LEAST_DEEP:
            found.append((number, zone))
    found.sort(key=lambda pair: (-pair[1].each * pair[1].passes, -pair[1].volume, pair[1].x))
    zone_of = np.zeros(labels.shape, dtype=np.int64)
    for rank, (number, _) in enumerate(found[:_MOST_ZONES], 1):
        zone_of[labels == number] = rank
    named = (
        replace(zone, name=name) for (_, zone), name in zip(found[:_MOST_ZONES], string.ascii_uppercase, strict=False)
    )
    return zone_of, tuple(named)


def _zone(relief: Relief, here: Array, fill: Array, passes: Counts) -> Zone:
    across, upward = relief.places
    row, col = np.nonzero(here)
    width, height = relief.size_of(row, col)
    x, y = across[here], upward[here]
    deepest = int(np.argmax(fill[here]))
    times = int(passes[here].max())
    middle_x, middle_y = (x.min() + x.max()) / 2, (y.min() + y.max()) / 2
    return Zone(
        "",
        float(x[deepest]),
        float(y[deepest]),
        float(middle_x - width / 2),
        float(middle_y - height / 2),
        float(width),
        float(height),
        float(relief.area[here].sum()),
        float((fill * relief.area)[here].sum()),
        times,
        float(fill[here].max()) / max(times, 1),
    )

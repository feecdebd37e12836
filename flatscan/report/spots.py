"""The numbered spots of drawings, page and tables: high (H), low (L) and gap (G), each kind by weight."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from flatscan.compare import Difference
from flatscan.core.geometry import Array
from flatscan.core.model import Relief
from flatscan.core.notes import note
from flatscan.core.quantity import cubic_metres
from flatscan.jobs import Planned
from flatscan.plan.finish import BuildUp
from flatscan.plan.lows import Low
from flatscan.relief.shape import Patch
from flatscan.report.say import Said
from flatscan.straightedge.gaps import Gaps

# spots of one kind nearer to each other than this are one spot to somebody with a trowel
_APART = 0.3
_MOST, _RESTING, _THICKEST = 6, 2, 3


@dataclass(frozen=True, slots=True)
class Spot:
    """A numbered spot of a figure: ``mark`` such as H1, its place and ``value`` [m], and what is to be done there.

    ``saves`` [m3] is what cutting it and those before it saves.
    """

    mark: str
    x: float
    y: float
    value: float
    what: Said
    saves: float | None = None


def patch_spots(patches: tuple[Patch, ...], most: int = _MOST) -> tuple[Spot, ...]:
    """Humps and hollows by their deviation, at most ``most`` of a kind and never two together."""
    return (*_humps(patches, most), *_patches(patches, "hollow", "L", note("drawing.hollow"), most))


def plan_spots(plan: Planned, relief: Relief, patches: tuple[Patch, ...] = (), most: int = _MOST) -> tuple[Spot, ...]:
    """Humps worth cutting, or where the plane rests, or else the humps there are; and the thickest build-up."""
    built = plan.build_up
    places = spread_out(list(resting(built)), _RESTING)
    if plan.hacks:
        hacks = enumerate(plan.hacks[:most], 1)
        highs = [Spot(f"H{n}", h.x, h.y, h.cut, note("drawing.cut"), h.saves) for n, h in hacks]
    elif places:
        highs = [Spot(f"H{n}", x, y, built.least, note("drawing.sets-it")) for n, (x, y) in enumerate(places, 1)]
    else:
        highs = _humps(patches, most)
    return (*highs, *_thickest(built, relief))


def low_spots(lows: tuple[Low, ...], ridges: tuple[Low, ...], most: int = _MOST) -> tuple[Spot, ...]:
    """Ridges to shave and lows to fill, by their numbers."""
    low = tuple(Spot(f"L{low.number}", low.x, low.y, low.depth, note("drawing.low")) for low in lows[:most])
    return (*_ridges(ridges[:most]), *low)


def filling_spots(lows: tuple[Low, ...], ridges: tuple[Low, ...]) -> tuple[Spot, ...]:
    """All of them, each low with its litres."""
    fills = (
        Spot(f"L{low.number}", low.x, low.y, low.depth, note("drawing.fill", volume=cubic_metres(low.volume)))
        for low in lows
    )
    return (*_ridges(ridges), *fills)


def gap_spots(gaps: Gaps, limit: float | None) -> tuple[Spot, ...]:
    """Places where the gap is largest, numbered from the deepest, as the sweep set them apart."""
    places = gaps.worst_places or ((gaps.worst,) if gaps.worst is not None else ())
    # what is well under the limit needs no number
    floor = 0.5 * (limit or 0.0)
    kept = [gap for number, gap in enumerate(places) if number == 0 or abs(gap.value) > floor]
    return tuple(Spot(f"G{n}", *gap.at, abs(gap.value), note("drawing.gap-there")) for n, gap in enumerate(kept, 1))


def change_spots(found: Difference, change: Array) -> Iterator[Spot]:
    """Where most came on and where most went off, of ``change`` (rows, cols) [m]."""
    across, up = found.relief.places
    for mark, sign, what in (("H1", 1, note("drawing.came-on")), ("L1", -1, note("drawing.went-off"))):
        values = np.where(np.isfinite(change), change * sign, -np.inf)
        k = int(values.argmax())
        if values.flat[k] > 0:
            yield Spot(mark, float(across.flat[k]), float(up.flat[k]), float(values.flat[k]), what)


def resting(built: BuildUp) -> tuple[tuple[float, float], ...]:
    """Where the finish plane rests on the wall, the place that decides most first."""
    ranked = sorted((c for c in built.contacts if c.kind == "hump"), key=lambda contact: -abs(contact.weight))
    return tuple((contact.x, contact.y) for contact in ranked)


def spread_out(places: Iterable[tuple[float, float]], most: int) -> list[tuple[float, float]]:
    """The places that are not beside a weightier one, in their order."""
    kept: list[tuple[float, float]] = []
    for x, y in places:
        if len(kept) < most and all(np.hypot(x - a, y - b) > _APART for a, b in kept):
            kept.append((x, y))
    return kept


def _humps(patches: tuple[Patch, ...], most: int) -> list[Spot]:
    return _patches(patches, "hump", "H", note("drawing.proud"), most)


def _patches(patches: tuple[Patch, ...], kind: str, letter: str, what: Said, most: int) -> list[Spot]:
    ranked = sorted((p for p in patches if p.kind == kind), key=lambda p: (-abs(p.deviation), p.x, p.y))
    places = spread_out([(p.x, p.y) for p in ranked], most)
    heights = {(p.x, p.y): abs(p.deviation) for p in reversed(ranked)}
    return [Spot(f"{letter}{n}", *at, heights[at], what) for n, at in enumerate(places, 1)]


def _ridges(ridges: tuple[Low, ...]) -> tuple[Spot, ...]:
    return tuple(Spot(f"H{r.number}", r.x, r.y, r.depth, note("drawing.shave")) for r in ridges)


def _thickest(built: BuildUp, relief: Relief) -> Iterator[Spot]:
    left = np.where(relief.valid, built.thickness, -np.inf)
    across, up = relief.places
    for number in range(1, _THICKEST + 1):
        if not np.isfinite(left.max()):
            return
        k = int(left.argmax())
        x, y = float(across.flat[k]), float(up.flat[k])
        yield Spot(f"L{number}", x, y, float(left.flat[k]), note("drawing.thick"))
        left[np.hypot(across - x, up - y) <= 2 * _APART] = -np.inf

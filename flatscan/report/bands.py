"""What drawings mark: bands of a value, and numbered spots, high (H), low (L) and gap (G)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from math import ceil

import numpy as np

from flatscan.compare import Difference, Place
from flatscan.core.geometry import Array
from flatscan.core.model import Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import cubic_metres, metres
from flatscan.core.units import METRES_PER
from flatscan.jobs import Planned
from flatscan.plan.finish import BuildUp
from flatscan.plan.hacking import Hack
from flatscan.plan.lows import Low
from flatscan.relief.shape import Patch
from flatscan.report.say import Said
from flatscan.report.tables import shows
from flatscan.straightedge.gaps import Gaps

NEUTRAL = "#fdfcf8"
# ochre and blue of equal lightness, told apart by red-green blind eyes and by their hatch in print
PROUD = ("#f2dcb8", "#e2b878", "#cd9347", "#b27427")
HOLLOW = ("#d8e4ef", "#abc6de", "#7ba3c8", "#5482af")
_LINES = ("//", "///", "////", "//////")
_DOTS = ("..", "...", "....", "......")
_STEPS_MM = (1, 2, 5, 10, 20, 50, 100, 200, 500)
_STEPS_IN = (1 / 16, 1 / 8, 1 / 4, 1 / 2, 1, 2, 4, 8, 16)
# what a build-up of so much asks for; common practice, the ladder of methods/trade 4 (from memory and derived)
LADDER_MM = (5.0, 8.0, 13.0, 20.0, 25.0, 40.0)
LADDER_WORDS = (
    note("drawing.too-thin"),
    note("drawing.thin-coat"),
    note("drawing.normal"),
    note("drawing.tight-coat"),
    note("drawing.two-passes"),
    note("drawing.dub-out"),
    note("drawing.board"),
)
_LADDER_NEUTRAL = 2
# a value on a band's edge belongs to the band above it, whatever the last binary digit says
_ON_THE_EDGE = 1e-7


@dataclass(frozen=True, slots=True)
class Band:
    """One band from ``low`` to ``high`` [m] with its colour, hatch and words."""

    low: float
    high: float
    colour: str
    hatch: str
    words: Note


def _span(low: float, high: float) -> Note:
    return note("drawing.span", low=metres(low), high=metres(high))


def _over(low: float) -> Note:
    return note("drawing.over", low=metres(low))


def deviation_bands(least: float, most: float, units: str = "mm", *, grown: bool = False) -> tuple[Band, ...]:
    """Bands of a deviation from a plane [m]: neutral within one round step, at most four bands a side.

    They reach over ``least`` and ``most``; the outer bands are open. ``grown`` words them as a change.
    """
    over, under = ("drawing.thicker", "drawing.thinner") if grown else ("drawing.band-proud", "drawing.band-hollow")
    reach = max(abs(least), abs(most))
    steps = [s * METRES_PER["in"] for s in _STEPS_IN] if units == "in" else [s / 1000 for s in _STEPS_MM]
    step = next((s for s in steps if reach <= 6 * s), steps[-1])
    proud = min(4, max(0, ceil(most / step - 1 - 1e-9)))
    hollow = min(4, max(0, ceil(-least / step - 1 - 1e-9)))
    return (
        *(_side(k, -step, HOLLOW, _DOTS, under) for k in reversed(range(hollow))),
        Band(-step, step, NEUTRAL, "", note("drawing.within", step=metres(step))),
        *(_side(k, step, PROUD, _LINES, over) for k in range(proud)),
    )


def _side(k: int, step: float, tones: tuple[str, ...], hatches: tuple[str, ...], code: str) -> Band:
    """The k-th band off the neutral one; the fourth is open."""
    last, wide = k == 3, abs(step)
    near, far = (k + 1) * step, (1000.0 if step > 0 else -1000.0) if last else (k + 2) * step
    span = _over(4 * wide) if last else _span((k + 1) * wide, (k + 2) * wide)
    return Band(min(near, far), max(near, far), tones[k], hatches[k], note(code, span=span))


def build_up_bands(least: float, most: float) -> tuple[Band, ...]:
    """Bands of a build-up [m] at the steps of the decision ladder; only those that ``least`` to ``most`` touch."""
    edges = [-1.0, *(mm / 1000 for mm in LADDER_MM), 1000.0]
    bands = []
    for k, (low, high, name) in enumerate(zip(edges, edges[1:], LADDER_WORDS, strict=False)):
        if high <= least or low > most:
            continue
        away = k - _LADDER_NEUTRAL
        colour = NEUTRAL if away == 0 else (PROUD[-2 * away - 1] if away < 0 else HOLLOW[away - 1])
        hatch = "" if away == 0 else (_LINES[-2 * away - 1] if away < 0 else _DOTS[away - 1])
        bands.append(Band(low, high, colour, hatch, note("drawing.step", span=_ladder_span(k), name=name)))
    return tuple(bands)


def _ladder_span(k: int) -> Note:
    if k == 0:
        return note("drawing.under", high=metres(LADDER_MM[0] / 1000))
    if k == len(LADDER_MM):
        return _over(LADDER_MM[-1] / 1000)
    return _span(LADDER_MM[k - 1] / 1000, LADDER_MM[k] / 1000)


def gap_bands(limit: float | None, most: float, units: str = "mm") -> tuple[Band, ...]:
    """Bands of gaps under a straightedge [m]: white up to the limit, then a band for each half limit over it."""
    base = limit or _round_up(most / 4, units)
    edges = [0.0, base, 1.5 * base, 2 * base, 3 * base]
    first = note("drawing.up-to-limit" if limit else "drawing.up-to", high=metres(base))
    between = [_span(low, high) for low, high in zip(edges[1:], edges[2:], strict=False)]
    names = [first, *between, _over(edges[-1])]
    colours, hatches = (NEUTRAL, *HOLLOW), ("", *_DOTS)
    bands = [
        Band(low, high, colour, hatch, name)
        for low, high, colour, hatch, name in zip(edges, [*edges[1:], 1000.0], colours, hatches, names, strict=True)
    ]
    return tuple(band for band in bands if band.low < max(most, 1e-9) or band.low == 0.0)


def _round_up(value: float, units: str) -> float:
    steps = [s * METRES_PER["in"] for s in _STEPS_IN] if units == "in" else [s / 1000 for s in _STEPS_MM]
    return next((s for s in steps if value <= s), steps[-1])


def score_bands(limit: float) -> tuple[Band, ...]:
    """Bands of signed scores: agreed up to 1 either way, left to chance up to ``limit``, beyond."""
    most = 1000.0
    return (
        Band(-most, -limit, HOLLOW[2], _DOTS[2], note("drawing.beyond-hollower")),
        Band(-limit, -1.0, HOLLOW[0], "", note("drawing.by-chance-hollower")),
        Band(-1.0, 1.0, NEUTRAL, "", note("drawing.agreed")),
        Band(1.0, limit, PROUD[0], "", note("drawing.by-chance-prouder")),
        Band(limit, most, PROUD[2], _LINES[2], note("drawing.beyond-prouder")),
    )


def line_levels(
    bands: tuple[Band, ...], least: float, most: float, *, between: bool = False, most_lines: int = 12
) -> list[float]:
    """Levels [m] of the thin contour lines: the bands' edges, and ``between`` them one round step in millimetres."""
    levels = {round(edge, 6) for band in bands for edge in (band.low, band.high) if least < edge < most}
    if between:
        step = next((s / 1000 for s in _STEPS_MM if (most - least) * 1000 <= most_lines * s), 0.5)
        levels |= {round(k * step, 6) for k in range(ceil(least / step), int(most // step) + 1)}
    return sorted(levels)


def band_of(values: Array, bands: tuple[Band, ...]) -> Array:
    """The number of the band each value [m] lies in; the outer bands are open."""
    return np.asarray(np.digitize(values + _ON_THE_EDGE, [band.high for band in bands[:-1]]))


# spots of one kind nearer to each other than this are one spot to somebody with a trowel
_APART = 0.3
_MOST, _RESTING, _THICKEST = 6, 2, 3


@dataclass(frozen=True, slots=True)
class Spot:
    """A numbered spot of a figure: ``mark`` such as H1, its place and ``value`` [m], and what is to be done there.

    ``saves`` [m3] is what cutting it and those before it saves, ``once_all`` [m] how deep it is cut once all humps
    listed go, None where that is no other depth.
    """

    mark: str
    x: float
    y: float
    value: float
    what: Said
    saves: float | None = None
    once_all: float | None = None


def patch_spots(patches: tuple[Patch, ...], most: int = _MOST) -> tuple[Spot, ...]:
    """Humps and hollows by their deviation, at most ``most`` of a kind and never two together."""
    return (*_humps(patches, most), *_patches(patches, "hollow", "L", note("drawing.hollow"), most))


def plan_spots(plan: Planned, relief: Relief, patches: tuple[Patch, ...] = (), most: int = _MOST) -> tuple[Spot, ...]:
    """Humps cut or worth cutting, or where the plane rests, or else the humps there are; and the thickest build-up."""
    built = plan.build_up
    places = spread_out(list(resting(built)), _RESTING)
    cuts = zip(plan.cut_numbers, plan.cuts, strict=True)
    highs = [Spot(f"H{n}", cut.x, cut.y, cut.depth, note("drawing.cut-planned")) for n, cut in cuts]
    if highs or plan.hacks:
        # what is left of a hump that is cut already has its mark
        hacks = [(h.number or n, h) for n, h in enumerate(plan.hacks[:most], 1) if h.number not in plan.cut_numbers]
        cut = note("drawing.cut")
        highs += [Spot(f"H{n}", h.x, h.y, h.cut_so_far, cut, h.saves, if_deeper(h)) for n, h in hacks]
    elif places:
        highs = [Spot(f"H{n}", x, y, built.least, note("drawing.sets-it")) for n, (x, y) in enumerate(places, 1)]
    else:
        highs = _humps(patches, most)
    return (*highs, *_thickest(built, relief))


def if_deeper(hack: Hack) -> float | None:
    """How deep a hump is cut once the others listed are cut as well [m], None where that is no other depth."""
    return hack.cut if shows(hack.cut - hack.cut_so_far) else None


def cut_of(depth: float, once_all: float | None) -> Note:
    """A depth of cut [m], and the one once all humps listed go where that is another."""
    if once_all is None:
        return note("report.cut-once", cut=metres(depth))
    if not shows(depth):
        return note("report.cut-with-others", all=metres(once_all))
    return note("report.cut-deeper", cut=metres(depth), all=metres(once_all))


def low_spots(lows: tuple[Low, ...], ridges: tuple[Low, ...], most: int = _MOST) -> tuple[Spot, ...]:
    """Ridges to shave and lows to fill, by their numbers."""
    low = tuple(
        Spot(f"L{low.number}", low.x, low.y, low.depth, note("drawing.low-deepest" if low.rank == 1 else "drawing.low"))
        for low in lows
        if low.rank <= most
    )
    return (*_ridges(tuple(ridge for ridge in ridges if ridge.rank <= most)), *low)


def filling_spots(lows: tuple[Low, ...], ridges: tuple[Low, ...]) -> tuple[Spot, ...]:
    """All of them, each low with its litres."""
    return (*_ridges(ridges), *(Spot(f"L{low.number}", low.x, low.y, low.depth, _fill(low)) for low in lows))


def _fill(low: Low) -> Note:
    code = "drawing.fill-deepest" if low.rank == 1 else "drawing.fill"
    return note(code, volume=cubic_metres(low.volume))


def gap_spots(gaps: Gaps, limit: float | None) -> tuple[Spot, ...]:
    """Places where the gap is largest, numbered from the deepest, as the sweep set them apart."""
    places = gaps.worst_places or ((gaps.worst,) if gaps.worst is not None else ())
    # what is well under the limit needs no number
    floor = 0.5 * (limit or 0.0)
    kept = [gap for number, gap in enumerate(places) if number == 0 or abs(gap.value) > floor]
    return tuple(Spot(f"G{n}", *gap.at, abs(gap.value), note("drawing.gap-there")) for n, gap in enumerate(kept, 1))


def change_spots(found: Difference) -> tuple[Spot, ...]:
    """The connected changes that matter most, numbered as they are listed."""
    ways = (note("drawing.went-off"), note("drawing.came-on"))
    return tuple(
        Spot(f"C{number}", place.x, place.y, abs(place.value), ways[place.value > 0])
        for number, place in enumerate(found.places[:_MOST], 1)
    )


def differing_spots(places: tuple[Place, ...]) -> tuple[Spot, ...]:
    """Where two parties differ, numbered as it is listed."""
    what = note("drawing.differ")
    return tuple(Spot(f"D{n}", one.x, one.y, abs(one.value), what) for n, one in enumerate(places[:_MOST], 1))


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

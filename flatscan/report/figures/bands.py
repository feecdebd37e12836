"""Bands of a contour: levels at round millimetres, a tone and a hatch each, so that a black-and-white print reads.

Lines stand for proud or thin, dots for hollow or thick; white is where there is nothing to do.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

from flatscan.core.units import METRES_PER, feet_and_inches

NEUTRAL = "#fdfcf8"
# ochre and blue of equal lightness, told apart by red-green blind eyes and by their hatch in print
PROUD = ("#f2dcb8", "#e2b878", "#cd9347", "#b27427")
HOLLOW = ("#d8e4ef", "#abc6de", "#7ba3c8", "#5482af")
_LINES = ("//", "///", "////", "//////")
_DOTS = ("..", "...", "....", "......")
_STEPS_MM = (1, 2, 5, 10, 20, 50, 100, 200, 500)
_STEPS_IN = (1 / 16, 1 / 8, 1 / 4, 1 / 2, 1, 2, 4, 8, 16)
# what a build-up of so much asks for; common practice, from TRADE's decision ladder (from memory and derived)
LADDER_MM = (5.0, 8.0, 13.0, 20.0, 25.0, 40.0)
LADDER_WORDS = (
    "too thin",
    "thin coat",
    "normal",
    "tight coat first",
    "two passes",
    "dub out, mesh",
    "board or rebuild",
)
_LADDER_NEUTRAL = 2


@dataclass(frozen=True, slots=True)
class Band:
    """One band from ``low`` to ``high`` [m] with its colour, hatch and words."""

    low: float
    high: float
    colour: str
    hatch: str
    words: str


def _edge(value: float, units: str) -> str:
    return feet_and_inches(value) if units == "in" else f"{value * 1000:g}".replace("-", "−")


def _span(low: float, high: float, units: str) -> str:
    unit = "" if units == "in" else " mm"
    return f"{_edge(low, units)} to {_edge(high, units)}{unit}"


def deviation_bands(least: float, most: float, units: str = "mm", *, grown: bool = False) -> tuple[Band, ...]:
    """Bands of a deviation from a plane [m]: neutral within one round step, at most four bands a side.

    They reach over ``least`` and ``most``; the outer bands are open. ``grown`` words them as a change.
    """
    over, under = ("thicker", "thinner") if grown else ("proud", "hollow")
    reach = max(abs(least), abs(most))
    steps = [s * METRES_PER["in"] for s in _STEPS_IN] if units == "in" else [s / 1000 for s in _STEPS_MM]
    step = next((s for s in steps if reach <= 6 * s), steps[-1])
    proud = min(4, max(0, ceil(most / step - 1 - 1e-9)))
    hollow = min(4, max(0, ceil(-least / step - 1 - 1e-9)))
    unit = "" if units == "in" else " mm"
    made = [
        _side(k, k == 3, -step, HOLLOW, _DOTS, f"{_side_span(k, step, units)} {under}") for k in reversed(range(hollow))
    ]
    made.append(Band(-step, step, NEUTRAL, "", f"within ± {_edge(step, units)}{unit}"))
    made += [_side(k, k == 3, step, PROUD, _LINES, f"{_side_span(k, step, units)} {over}") for k in range(proud)]
    return tuple(made)


def _side_span(k: int, step: float, units: str) -> str:
    """Words of the k-th band off the neutral one; the fourth is open."""
    if k == 3:
        return f"over {_edge(4 * step, units)}{'' if units == 'in' else ' mm'}"
    return _span((k + 1) * step, (k + 2) * step, units)


def _side(k: int, last: bool, step: float, tones: tuple[str, ...], hatches: tuple[str, ...], said: str) -> Band:
    near, far = (k + 1) * step, (1000.0 if step > 0 else -1000.0) if last else (k + 2) * step
    return Band(min(near, far), max(near, far), tones[k], hatches[k], said)


def build_up_bands(least: float, most: float, units: str = "mm") -> tuple[Band, ...]:
    """Bands of a build-up [m] at the steps of the decision ladder; only those that ``least`` to ``most`` touch."""
    edges = [-1.0, *(mm / 1000 for mm in LADDER_MM), 1000.0]
    made = []
    for k, (low, high, name) in enumerate(zip(edges, edges[1:], LADDER_WORDS, strict=False)):
        if high <= least or low > most:
            continue
        away = k - _LADDER_NEUTRAL
        colour = NEUTRAL if away == 0 else (PROUD[-2 * away - 1] if away < 0 else HOLLOW[away - 1])
        hatch = "" if away == 0 else (_LINES[-2 * away - 1] if away < 0 else _DOTS[away - 1])
        made.append(Band(low, high, colour, hatch, f"{_ladder_span(k, units)}: {name}"))
    return tuple(made)


def _ladder_span(k: int, units: str) -> str:
    unit = "" if units == "in" else " mm"
    if k == 0:
        return f"under {_edge(LADDER_MM[0] / 1000, units)}{unit}"
    if k == len(LADDER_MM):
        return f"over {_edge(LADDER_MM[-1] / 1000, units)}{unit}"
    return _span(LADDER_MM[k - 1] / 1000, LADDER_MM[k] / 1000, units)


def gap_bands(limit: float | None, most: float, units: str = "mm") -> tuple[Band, ...]:
    """Bands of gaps under a straightedge [m]: white up to the limit, then a band for each half limit over it."""
    unit = "" if units == "in" else " mm"
    base = limit or _round_up(most / 4, units)
    edges = [0.0, base, 1.5 * base, 2 * base, 3 * base]
    names = [f"up to {_edge(base, units)}{unit}" + (", the limit" if limit else "")]
    names += [_span(low, high, units) for low, high in zip(edges[1:], edges[2:], strict=False)]
    names.append(f"over {_edge(edges[-1], units)}{unit}")
    colours, hatches = (NEUTRAL, *HOLLOW), ("", *_DOTS)
    made = [
        Band(low, high, colour, hatch, name)
        for low, high, colour, hatch, name in zip(edges, [*edges[1:], 1000.0], colours, hatches, names, strict=True)
    ]
    return tuple(band for band in made if band.low < max(most, 1e-9) or band.low == 0.0)


def _round_up(value: float, units: str) -> float:
    steps = [s * METRES_PER["in"] for s in _STEPS_IN] if units == "in" else [s / 1000 for s in _STEPS_MM]
    return next((s for s in steps if value <= s), steps[-1])


def line_levels(
    bands: tuple[Band, ...], least: float, most: float, *, between: bool = False, most_lines: int = 12
) -> list[float]:
    """Levels [m] of the thin contour lines: the bands' edges, and ``between`` them one round step in millimetres."""
    levels = {round(edge, 6) for band in bands for edge in (band.low, band.high) if least < edge < most}
    if between:
        step = next((s / 1000 for s in _STEPS_MM if (most - least) * 1000 <= most_lines * s), 0.5)
        levels |= {round(k * step, 6) for k in range(ceil(least / step), int(most // step) + 1)}
    return sorted(levels)

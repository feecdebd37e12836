"""Figures that stay by their places: in one type for all, so small that each finds room there, on nothing else drawn.

A figure that was moved away from its dot is read for another dot; a smaller one is only smaller.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from flatscan.core.model import Wall
from flatscan.report.elevations import reach_of
from flatscan.report.figures import apart
from flatscan.report.figures.labels import Box, Point, overlap
from flatscan.report.figures.style import PAPER, POINTS, font, width

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# nothing smaller is read from a step away; the largest is given by who asks
_LEAST, _STEP = 5.5, 0.5
# room between two figures across and up, and from edges of what is drawn [inches]
_APART, _EDGE = (0.07, 0.015), 0.025
# how far a mark reaches, of what its figure stands off
_REACH = 0.65
# half the height of a line of figures, in its size
_HALF = 0.52
# where a figure stands by its place: beside a dot, or over and under a station's mark
BESIDE: tuple[Point, ...] = ((1, 0), (-1, 0), (0, 1), (0, -1), (0.8, 0.8), (-0.8, 0.8), (0.8, -0.8), (-0.8, -0.8))
OVER: tuple[Point, ...] = ((0, 1), (0, -1), (1, 0), (-1, 0))
_FURTHER: tuple[Point, ...] = ((0, 1.7), (0, -1.7), (-1, 0.3), (-1, -0.3), (1, 0.3), (1, -0.3))
# how often those that found no room may choose theirs before the others
_ROUNDS = 4


@dataclass(frozen=True, slots=True)
class _Field:
    """An elevation [inches from its lower left]: inches per metre, its size, and what no figure stands on."""

    scale: float
    size: Point
    avoid: tuple[Box, ...]


def write_figures(
    axes: Axes,
    wall: Wall,
    places: Sequence[Point],
    said: Sequence[str],
    *,
    largest: float,
    off: float | Sequence[float],
    around: tuple[Point, ...] = OVER,
    zorder: float = 6.0,
) -> None:
    """Write a figure by each of ``places`` [m], ``off`` [inches] from its mark, in the largest type in which all fit.

    ``off`` is one for all, or one for each where marks are not of one size.

    None stands on another, on a mark, an opening, a chase or the wall's edge. In the smallest type one that finds
    no room stands over an opening or a chase, and one without any is left out: its mark stays.
    """
    field = _field_of(axes, wall)
    marks = [(x * field.scale, y * field.scale) for x, y in places]
    offs = [float(off)] * len(marks) if isinstance(off, (int, float)) else list(off)
    size, found = _LEAST, list[Point | None]()
    for size in np.arange(largest, _LEAST - 0.1, -_STEP):
        found = _placed(field, marks, said, float(size), offs, around, range(len(marks)))
        if None not in found:
            break
    else:
        found = _narrowest_first(field, marks, said, offs, around, found)
    for at, text in zip(found, said, strict=True):
        if at is not None:
            _write(axes, field, at, text, float(size), zorder)


def _field_of(axes: Axes, wall: Wall) -> _Field:
    axes.apply_aspect()
    inches = axes.get_window_extent().width / axes.figure.dpi
    right, top = reach_of(wall)
    scale = inches / right
    holes = (*wall.openings, *wall.pockets, *wall.skips)
    avoid = tuple((h.left * scale, h.bottom * scale, h.right * scale, h.top * scale) for h in holes)
    return _Field(scale, (inches, top * scale), avoid)


def _narrowest_first(
    field: _Field,
    marks: list[Point],
    said: Sequence[str],
    offs: list[float],
    around: tuple[Point, ...],
    found: list[Point | None],
) -> list[Point | None]:
    """In the smallest type: those that found no room choose theirs before all others; the fullest of all tries."""
    best, last, first = found, found, list[int]()
    for _ in range(_ROUNDS):
        first += [number for number, at in enumerate(last) if at is None and number not in first]
        order = [*first, *(number for number in range(len(marks)) if number not in first)]
        last = _placed(field, marks, said, _LEAST, offs, around, order)
        best = min(best, last, key=lambda one: one.count(None))
        if None not in best:
            break
    return best


def _placed(
    field: _Field,
    marks: list[Point],
    said: Sequence[str],
    size: float,
    offs: list[float],
    around: tuple[Point, ...],
    order: Sequence[int],
) -> list[Point | None]:
    """The middle of each figure in one type, None where there is no room; they choose theirs in that ``order``."""
    reach = [_REACH * off for off in offs]
    own = [(x - r, y - r, x + r, y + r) for (x, y), r in zip(marks, reach, strict=True)]
    taken, holes = own, [_wider(box, _EDGE, _EDGE) for box in field.avoid]
    found: list[Point | None] = [None] * len(marks)
    for number in order:
        mark, text, off = marks[number], said[number], offs[number]
        half = width(text, size, "bold") / 2, _HALF * size / POINTS
        tried = [p for p in _tried(field, mark, half, off, around) if _free(p, half, taken)]
        # in the smallest type rather over an opening than nowhere
        over = tried if size <= _LEAST else []
        at = next(iter([*(p for p in tried if _free(p, half, holes)), *over]), None)
        found[number] = at
        if at is not None:
            taken.append(_wider((at[0] - half[0], at[1] - half[1], at[0] + half[0], at[1] + half[1]), *_APART))
    return found


def _tried(field: _Field, mark: Point, half: Point, off: float, around: tuple[Point, ...]) -> Iterator[Point]:
    """Middles of a figure around its mark, moved in from the wall's edges as long as they stay clear of the mark."""
    for across, up in (*around, *_FURTHER):
        at = (mark[0] + across * (half[0] + off), mark[1] + up * (half[1] + off))
        x, y = (
            min(max(value, part + _EDGE), whole - part - _EDGE)
            for value, part, whole in zip(at, half, field.size, strict=True)
        )
        yield x, y


def _free(at: Point, half: Point, taken: list[Box]) -> bool:
    box = (at[0] - half[0], at[1] - half[1], at[0] + half[0], at[1] + half[1])
    return not any(overlap(box, other) for other in taken)


def _wider(box: Box, across: float, up: float) -> Box:
    return box[0] - across, box[1] - up, box[2] + across, box[3] + up


def _write(axes: Axes, field: _Field, at: Point, text: str, size: float, zorder: float) -> None:
    axes.text(
        at[0] / field.scale,
        at[1] / field.scale,
        text,
        ha="center",
        va="center",
        zorder=zorder,
        fontproperties=font(size, "bold"),
        gid=apart.HELD,
        bbox={"boxstyle": "square,pad=0.05", "facecolor": PAPER, "edgecolor": "none", "alpha": 0.85},
    )

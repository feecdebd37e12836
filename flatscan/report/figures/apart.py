"""Nothing written on a drawing lies on anything else written: what is less weighty moves, with a leader, or goes.

Figures that somebody sets a dot by keep their place if they can, then marks, then words that only name something.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from flatscan.report.figures.style import INK

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.lines import Line2D
    from matplotlib.text import Text

# what an artist is, the weightiest first: figures, marks of spots, words that are left out rather than moved far
FIGURE, MARK, WORD = "figure", "mark", "word"
# figures that were given a place by what they stand for and keep it
HELD = "held"
# points that nothing is written on
KEEP_OFF = "keep-off"
_ORDER = (FIGURE, MARK, WORD)
# how far labels are moved [inches], and in which directions; a word names what it stands on and moves little
_FAR = (0.1, 0.17, 0.25, 0.35, 0.5, 0.7, 0.9, 1.2, 1.6, 2.1, 2.7)
_NEAR = (0.1, 0.17, 0.25)
_TURNS = np.deg2rad(np.array([90, 270, 0, 180, 45, 135, 225, 315]))
# a leader under this [inches] would not be seen
_SHORT = 0.13
# room between two labels, in pixels of the drawing
_BETWEEN = 2.0

Box = tuple[float, float, float, float]


def settle(axes: Axes) -> None:
    """Move what is written on ``axes`` until no two texts meet; marks and words without a place are left out."""
    axes.apply_aspect()
    inch = axes.figure.dpi
    kept = [*_points(axes), *(_box(text) for text in axes.texts if text.get_gid() == HELD)]
    whole = axes.get_window_extent()
    for kind in _ORDER:
        for text in [text for text in axes.texts if text.get_gid() == kind]:
            box = _box(text)
            steps = _steps(_NEAR if kind == WORD else _FAR, inch)
            inside = (whole.x0, whole.y0, whole.x1, whole.y1)
            inside = _around(inside, box)
            shift = next((step for step in steps if _free(_moved(box, step), kept, inside)), None)
            if shift is None and kind != FIGURE:
                text.remove()
                continue
            if shift is not None and shift != (0.0, 0.0):
                _move(axes, text, shift, led=kind == MARK)
            kept.append(_moved(box, shift or (0.0, 0.0)))


def _points(axes: Axes) -> Iterator[Box]:
    """The boxes of marks that nothing is written on."""
    for line in axes.lines:
        if line.get_gid() == KEEP_OFF:
            yield from _of_line(axes, line)


def _of_line(axes: Axes, line: Line2D) -> Iterator[Box]:
    half = line.get_markersize() / 72 * axes.figure.dpi / 2
    for x, y in axes.transData.transform(np.column_stack(line.get_data())):
        yield x - half, y - half, x + half, y + half


def _box(text: Text) -> Box:
    """What a text covers, with the bubble around it [pixels]."""
    found = text.get_window_extent()
    bubble = text.get_bbox_patch()
    if bubble is not None:
        text.update_bbox_position_size(text.figure.canvas.get_renderer())  # type: ignore[attr-defined]
        found = bubble.get_window_extent()
    return found.x0, found.y0, found.x1, found.y1


def _steps(far: tuple[float, ...], inch: float) -> Iterator[tuple[float, float]]:
    yield 0.0, 0.0
    for length in far:
        for turn in _TURNS:
            yield float(np.cos(turn) * length * inch), float(np.sin(turn) * length * inch)


def _around(whole: Box, box: Box) -> Box:
    """The drawing's box, with where the label stands now: one at the rim or over it need not come in."""
    return min(whole[0], box[0]), min(whole[1], box[1]), max(whole[2], box[2]), max(whole[3], box[3])


def _moved(box: Box, step: tuple[float, float]) -> Box:
    return box[0] + step[0], box[1] + step[1], box[2] + step[0], box[3] + step[1]


def _free(box: Box, kept: list[Box], inside: Box) -> bool:
    if box[0] < inside[0] or box[1] < inside[1] or box[2] > inside[2] or box[3] > inside[3]:
        return False
    return not any(
        box[0] < other[2] + _BETWEEN
        and other[0] < box[2] + _BETWEEN
        and box[1] < other[3] + _BETWEEN
        and other[1] < box[3] + _BETWEEN
        for other in kept
    )


def _move(axes: Axes, text: Text, shift: tuple[float, float], *, led: bool) -> None:
    """Shift a text on its drawing; one that is ``led`` away points back to its place."""
    from matplotlib.text import Annotation

    place = text.xy if isinstance(text, Annotation) else text.get_position()
    back = axes.transData.inverted()
    if isinstance(text, Annotation):
        points = 72 / axes.figure.dpi
        across, up = text.xyann
        text.xyann = (across + shift[0] * points, up + shift[1] * points)
    else:
        text.set_position(tuple(back.transform(axes.transData.transform(place) + np.array(shift))))
    if led and np.hypot(*shift) > _SHORT * axes.figure.dpi:
        x0, y0, x1, y1 = _box(text)
        end = back.transform(((x0 + x1) / 2, (y0 + y1) / 2))
        under = text.get_zorder() - 0.5
        axes.plot([place[0], end[0]], [place[1], end[1]], color=INK, linewidth=0.8, zorder=under)
        axes.plot(*place, "o", color=INK, markersize=3, zorder=under)

"""The walls of a room from above with their numbers, and one wall as it is seen from the room."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.model import Wall
from flatscan.core.notes import note
from flatscan.core.quantity import metres
from flatscan.core.settled import OPEN, Settled
from flatscan.jobs.listing import Seeing
from flatscan.report.figures.style import FAINT, INK, font, new_figure, sheet_style, write
from flatscan.report.say import say
from flatscan.wall import Room

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from flatscan.report.room_pictures import AsSeen

_SIZE = (8.0, 6.0)
_MARGIN, _HEAD, _FOOT = 0.4, 0.55, 0.75
# the room is drawn over points between these shares of its height, so that floor and ceiling do not fill it
_SLICE = (0.15, 0.85)
_GREY_STEP = 240


def save(draw: Callable[[], Figure], path: Path) -> None:
    """Draw and save in flatscan's style, without anything that would differ from run to run."""
    from matplotlib import rcParams

    with sheet_style():
        draw().savefig(path, dpi=rcParams["savefig.dpi"], metadata={"Software": None})


def _framed(title: str, foot: str) -> tuple[Figure, Axes]:
    """A figure with its title above and a sentence below, and the axes between."""
    figure = new_figure(_SIZE)
    wide, high = _SIZE
    write(figure, _MARGIN, high - 0.25, title, size=12, weight="bold", room=wide - 2 * _MARGIN, smallest=8)
    write(figure, _MARGIN, _FOOT - 0.1, foot, size=8.5, room=wide - 2 * _MARGIN, lines=3, colour=INK)
    left, under = 0.75, _FOOT + 0.45
    axes = figure.add_axes((left / wide, under / high, (wide - left - _MARGIN) / wide, (high - _HEAD - under) / high))
    axes.set_aspect("equal")
    return figure, axes


def from_above(file: str, room: Room, seeing: Seeing, units: str) -> Figure:
    """Walls as lines with their numbers on the room side, over the points that were captured, as the file lies."""
    up = room.walls[0].frame.up
    right, ahead = _axes_from_above(room)
    foot = note("list.from-above", right=_named(right), ahead=_named(ahead))
    figure, axes = _framed(
        say(note("list.picture-from-above", file=file, walls=len({wall.number for wall in room.walls})), units),
        say(foot, units),
    )
    ends = [np.array([wall.frame.at, wall.frame.at + wall.frame.along * wall.width]) for wall in room.walls]
    every = np.concatenate(ends) @ np.stack([right, ahead], axis=1)
    low, high = every.min(axis=0), every.max(axis=0)
    room_about = 0.12 * float(max((high - low).max(), 1.0))
    _greyed(axes, seeing.sample, up, np.stack([right, ahead], axis=1), (low - room_about, high + room_about))
    for wall, end in zip(room.walls, ends, strict=True):
        _line(
            axes,
            wall,
            end @ np.stack([right, ahead], axis=1),
            np.array([wall.frame.out @ right, wall.frame.out @ ahead]),
        )
    for stand in [] if seeing.stands is None else seeing.stands:
        axes.plot(stand @ right, stand @ ahead, marker="+", color=INK, markersize=9)
    axes.set_xlim(low[0] - room_about, high[0] + room_about)
    axes.set_ylim(low[1] - room_about, high[1] + room_about)
    _in_metres(axes, units)
    return figure


def _axes_from_above(room: Room) -> tuple[Array, Array]:
    """The file axes, seen from above, that lie to the right and ahead on the drawing."""
    up = room.walls[0].frame.up
    level = [axis for axis in np.eye(3) if abs(axis @ up) < 0.5]
    if len(level) != 2 or max(abs(axis @ up) for axis in level) > 1e-6:
        right = room.walls[0].frame.along
        return right, np.cross(up, right)
    right = level[0]
    return right, np.cross(up, right)


def _named(direction: Array) -> str:
    from flatscan.wall.orientation import axis_name

    return axis_name(direction)


def _greyed(axes: Axes, sample: Array, up: Array, flat: Array, box: tuple[Array, Array]) -> None:
    """The points between floor and ceiling as grey, darker where more stand above each other."""
    heights = sample @ up
    ends = np.quantile(heights, (0.01, 0.99))
    cut = ends[0] + np.array(_SLICE) * (ends[1] - ends[0])
    points = sample[(heights > cut[0]) & (heights < cut[1])] @ flat
    step = float((box[1] - box[0]).max()) / _GREY_STEP
    edges = [np.arange(low, high + step, step) for low, high in zip(*box, strict=True)]
    counts, *_ = np.histogram2d(points[:, 0], points[:, 1], bins=edges)
    filled = counts[counts > 0]
    if not len(filled):
        return
    tone = np.minimum(counts / np.quantile(filled, 0.9), 1.0).T
    extent = (edges[0][0], edges[0][-1], edges[1][0], edges[1][-1])
    axes.imshow(0.5 * tone, cmap="Greys", vmin=0.0, vmax=1.0, extent=extent, origin="lower", aspect="equal")


def _line(axes: Axes, wall: Wall, ends: Array, way: Array) -> None:
    """A wall as a heavy line, its number on the room side, and a short mark toward the room."""
    axes.plot(*ends.T, color=INK, linewidth=3.0, solid_capstyle="butt")
    middle = ends.mean(axis=0)
    span = float(np.diff(axes.get_xlim())[0]) or 1.0
    axes.plot(*np.stack([middle, middle + 0.02 * span * way]).T, color=INK, linewidth=1.2)
    at = middle + 0.05 * span * way
    box = {"boxstyle": "circle,pad=0.2", "facecolor": "white", "edgecolor": INK, "linewidth": 0.8}
    axes.text(
        float(at[0]),
        float(at[1]),
        wall.name,
        fontproperties=font(10, "bold"),
        ha="center",
        va="center",
        bbox=box,
    )


def _in_metres(axes: Axes, units: str) -> None:
    from matplotlib.ticker import FuncFormatter

    if units == "in":
        per_foot = 0.3048
        axes.xaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v / per_foot:.0f}"))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v / per_foot:.0f}"))
    axes.set_xlabel("ft" if units == "in" else "m")
    axes.set_ylabel("ft" if units == "in" else "m")


def elevation(file: str, shown: AsSeen, side: Settled | None, units: str) -> Figure:
    """One wall as it is seen from the room, with its openings, so that a mirrored or inside-out scan is seen."""
    wall = shown.wall
    title = note("list.picture-wall", number=wall.name, file=file, width=metres(wall.width), height=metres(wall.height))
    code = "list.as-seen-coloured" if shown.coloured else "list.as-seen-shaded"
    if side is None or not side.others:
        foot = note(code)
    else:
        more = "list.side-open" if side.sure == OPEN else "list.turn-round"
        foot = note(more, seen=note(code), value=side.value, other=side.others[0].value)
    figure, axes = _framed(say(title, units), say(foot, units))
    rows, cols = shown.image.shape[:2]
    image = np.where(np.isfinite(shown.image), shown.image, 1.0)
    axes.imshow(image, extent=(0, cols * shown.step, 0, rows * shown.step), origin="lower", interpolation="nearest")
    from matplotlib.patches import Rectangle

    for opening in wall.openings:
        axes.add_patch(
            Rectangle((opening.left, opening.bottom), opening.width, opening.height, fill=False, edgecolor=INK, ls="--")
        )
    axes.add_patch(Rectangle((0, 0), wall.width, wall.height, fill=False, edgecolor=FAINT, linewidth=0.8))
    axes.set_xlim(-0.02 * wall.width, 1.02 * wall.width)
    axes.set_ylim(-0.02 * wall.height, 1.02 * wall.height)
    _in_metres(axes, units)
    return figure

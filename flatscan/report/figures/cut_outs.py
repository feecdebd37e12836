"""What is cut out of a wall or stands before it, as drawings show it: openings, chases, skips, objects."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flatscan.core.holes import GIVEN, LIKELY, Opening
from flatscan.core.model import WallObject
from flatscan.core.notes import Note, note
from flatscan.report.figures import apart
from flatscan.report.figures.style import FAINT, INK, LINES, PAPER, font
from flatscan.report.say import say

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_opening(axes: Axes, hole: Opening, units: str, see_through: bool) -> None:
    """An opening: crossed out, dashed where somebody drew it, its word in its middle."""
    from matplotlib.patches import Rectangle

    given = hole.evidence == GIVEN
    fill = "none" if see_through else PAPER
    corner = (hole.left, hole.bottom)
    drawn = Rectangle(corner, hole.width, hole.height, facecolor=fill, edgecolor=INK, linewidth=1.2, zorder=4)
    drawn.set_linestyle(LINES["dashed"] if given else "solid")
    axes.add_patch(drawn)
    if see_through:
        return
    for ends in ((hole.bottom, hole.top), (hole.top, hole.bottom)):
        axes.plot((hole.left, hole.right), ends, color=FAINT, linewidth=0.5, zorder=4)
    box = {"facecolor": PAPER, "edgecolor": "none", "pad": 2}
    middle = (hole.left + hole.width / 2, hole.bottom + hole.height / 2)
    said = say(note("drawing.drawn-opening" if given else "drawing.opening"), units)
    axes.text(*middle, said, ha="center", va="center", zorder=5, fontproperties=font(9), bbox=box, gid=apart.WORD)


def draw_cut_out(axes: Axes, hole: Opening, word: Note, units: str, see_through: bool) -> None:
    """A chase or a part not to be plastered: hatched, dashed where only readings show it, its word along it."""
    from matplotlib.patches import Rectangle

    line = "dotted" if hole.evidence == LIKELY else "dashed"
    drawn = Rectangle((hole.left, hole.bottom), hole.width, hole.height, edgecolor=INK, linewidth=0.9, zorder=4)
    drawn.set(facecolor="none" if see_through else PAPER, hatch=None if see_through else "xxx", linestyle=LINES[line])
    axes.add_patch(drawn)
    if see_through:
        return
    box = {"facecolor": PAPER, "edgecolor": "none", "pad": 1}
    middle = (hole.left + hole.width / 2, hole.bottom + hole.height / 2)
    turned = 90 if hole.height > 1.5 * hole.width else 0
    said = say(word, units)
    axes.text(
        *middle,
        said,
        ha="center",
        va="center",
        rotation=turned,
        zorder=5,
        fontproperties=font(8),
        bbox=box,
        gid=apart.WORD,
    )


def draw_object(axes: Axes, it: WallObject, units: str) -> None:
    """Its rectangle with its number at its upper left: a whole line where it is left out, dashes where it is wall."""
    from matplotlib.patches import Rectangle

    line = "-" if it.state == "removed" else (0, (4, 3))
    left, top = it.x - it.width / 2, it.y + it.height / 2
    axes.add_patch(
        Rectangle(
            (left, top - it.height),
            it.width,
            it.height,
            facecolor="none",
            edgecolor=INK,
            linewidth=1.0,
            linestyle=line,
            zorder=6,
        )
    )
    said = say(note("drawing.object-doubtful" if it.state == "doubtful" else "drawing.object", number=it.number), units)
    box = {"facecolor": PAPER, "edgecolor": INK, "linewidth": 0.5, "pad": 1.5}
    axes.text(
        left, top, said, ha="left", va="top", zorder=8, fontproperties=font(8), bbox=box, clip_on=True, gid=apart.MARK
    )

"""Draw the guides' pictures: what to set up and what to measure for readings, depth photos, laser lines and photos.

python scripts/draw_guides.py [FOLDER]      by default sample_clouds/pictures
"""

from __future__ import annotations

import sys
from pathlib import Path

from matplotlib.figure import Figure
from matplotlib.patches import Polygon, Rectangle

from flatscan.report.photo_guide import HIGH, WIDE, draw_walk

FOLDER = Path(__file__).parent.parent / "sample_clouds" / "pictures"
INK, GREY, LIGHT = "0.1", "0.45", "0.88"


def plain(wide: float, high: float):
    """A blank drawing in metres."""
    page = Figure(figsize=(7.2, 7.2 * high / wide), dpi=110)
    axes = page.add_axes((0.01, 0.01, 0.98, 0.98))
    axes.set_xlim(0, wide)
    axes.set_ylim(0, high)
    axes.axis("off")
    return page, axes


def label(axes, x, y, words, **how):
    axes.text(x, y, words, **({"fontsize": 9, "color": INK, "va": "center"} | how))


def measure(axes, start, stop, words, *, shift=(0.0, 0.1)):
    """A dimension with its words beside it."""
    arrow = {"arrowstyle": "<->", "color": INK, "lw": 0.8, "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", stop, start, arrowprops=arrow)
    middle = [(a + b) / 2 + c for a, b, c in zip(start, stop, shift, strict=True)]
    label(axes, *middle, words, ha="center", bbox={"facecolor": "white", "edgecolor": "none", "pad": 1})


def tie() -> Figure:
    """Readings from a laser plane to the wall, at places spread over it."""
    page, axes = plain(8.0, 3.3)
    axes.add_patch(Rectangle((0.3, 0.4), 4.0, 2.4, facecolor=LIGHT, edgecolor=INK))
    places = (
        (0.4, 0.5), (4.2, 2.7), (4.2, 0.5), (0.4, 2.7), (1.7, 0.5), (2.9, 2.7), (0.4, 1.6), (4.2, 1.6), (2.9, 0.5),
        (1.7, 2.7), (1.7, 1.6), (2.9, 1.6),
    )  # fmt: skip
    for number, (x, y) in enumerate(places, start=1):
        axes.plot(x, y, "+", color=INK, ms=9)
        label(axes, x + (0.07 if x < 4 else -0.16), y + (0.1 if y < 2 else -0.1), str(number), fontsize=8)
    measure(axes, (0.3, 0.22), (1.7, 0.22), "x from the left edge", shift=(0, -0.12))
    measure(axes, (0.16, 0.4), (0.16, 1.6), "y", shift=(0.0, 0.0))
    label(axes, 0.3, 3.05, "The wall from the room: read the places in the order planned")
    axes.add_patch(Polygon([(5.4, 0.4), (5.6, 0.4), (5.66, 1.4), (5.55, 2.0), (5.6, 2.8), (5.4, 2.8)], facecolor=GREY))
    axes.plot([6.3, 6.3], [0.4, 2.8], color=INK, lw=1.2, ls="--")
    axes.add_patch(Rectangle((6.22, 0.12), 0.16, 0.24, facecolor=INK))
    measure(axes, (5.66, 1.4), (6.3, 1.4), "reading", shift=(0, 0.13))
    label(axes, 5.2, 3.05, "From the side: plumb laser, steel rule")
    label(axes, 6.45, 0.24, "laser, low,\non firm ground", fontsize=8)
    return page


def depth() -> Figure:
    """A depth camera square to a wall, and what stands beside the picture."""
    page, axes = plain(7.2, 2.8)
    axes.add_patch(Rectangle((0.4, 2.2), 3.0, 0.15, facecolor=GREY))
    label(axes, 0.4, 2.55, "From above: square to the wall, one pose over the whole straightedge")
    axes.plot([1.9], [0.6], "s", color=INK, ms=9)
    for x in (0.75, 3.05):
        axes.plot([1.9, x], [0.6, 2.2], color=INK, lw=0.7)
    measure(axes, (1.9, 0.75), (1.9, 2.18), "at most 1.5 m", shift=(0.0, -0.1))
    label(axes, 1.9, 0.35, "camera held upright", ha="center")
    files = (
        "wall.png  16-bit depth",
        "wall.json  intrinsics, depth_scale",
        "wall_confidence.png  if there is one",
        "wall.jpg  colour, if there is one",
    )
    for i, words in enumerate(files):
        axes.add_patch(Rectangle((4.1, 1.75 - 0.45 * i), 2.9, 0.36, facecolor=LIGHT, edgecolor=GREY, lw=0.6))
        label(axes, 4.2, 1.93 - 0.45 * i, words)
    label(axes, 4.1, 2.3, "Side by side in one folder:")
    return page


def line() -> Figure:
    """Laser and camera on opposite sides of the line, targets around the wall."""
    page, axes = plain(7.2, 3.6)
    axes.add_patch(Rectangle((0.3, 2.9), 3.4, 0.12, facecolor=GREY))
    axes.plot([0.8, 2.0], [2.45, 2.9], color=INK, lw=1.4)
    axes.plot([0.8], [2.45], "s", color=INK, ms=7)
    axes.plot([2.6], [0.5], "^", color=INK, ms=11)
    axes.plot([2.6, 2.0], [0.5, 2.9], color=INK, lw=0.6, ls="--")
    measure(axes, (0.8, 2.45), (0.8, 2.9), "d", shift=(-0.14, 0.0))
    measure(axes, (3.4, 0.5), (3.4, 2.9), "3 to 4 m", shift=(0.0, 0.0))
    label(axes, 0.3, 3.3, "From above: line between laser and camera")
    label(axes, 0.35, 2.2, "laser pivot,\nslant 15 to 35 degrees", fontsize=8, va="top")
    label(axes, 2.75, 0.4, "camera fixed", fontsize=8)
    axes.add_patch(Rectangle((4.2, 0.5), 2.7, 2.2, facecolor=LIGHT, edgecolor=INK))
    for x, y in ((4.3, 0.6), (5.2, 0.6), (6.6, 0.6), (6.6, 1.5), (6.6, 2.4), (5.2, 2.4), (4.3, 2.4), (4.3, 1.5)):
        axes.add_patch(Rectangle((x, y), 0.2, 0.2, facecolor=INK))
    axes.plot([5.7, 5.73, 5.69, 5.72, 5.7], [0.5, 1.1, 1.6, 2.1, 2.7], color=INK, lw=1.6)
    measure(axes, (4.2, 0.3), (4.4, 0.3), "x", shift=(0.0, -0.13))
    measure(axes, (4.05, 0.5), (4.05, 0.7), "y", shift=(-0.12, 0.0))
    label(axes, 4.2, 3.3, "The picture: targets all around the line")
    label(axes, 4.2, 3.0, "tape x and y of each target's middle", fontsize=8)
    return page


def photos() -> Figure:
    """Two rows of photos walking along a bare wall, as the printed guide shows them."""
    page, axes = plain(WIDE, HIGH)
    draw_walk(axes)
    return page


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    for name, draw in (("tie", tie), ("depth", depth), ("line", line), ("photos", photos)):
        draw().savefig(folder / f"{name}.png", metadata={"Software": None})


if __name__ == "__main__":
    main()

"""How to photograph a bare wall so that its relief can be measured: one drawing, five lines, the file beside them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flatscan.core.units import feet_and_inches

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
_INK, _GREY, _LIGHT = "0.1", "0.45", "0.88"
_MARGIN = 14.0
# the drawing's own size [m]: from above on the left, facing the wall on the right
WIDE, HIGH = 7.6, 3.6
# near: parallax tells heights; far: one photo shows much of the wall (common practice)
_NEAR, _FAR = 1.5, 2.5
_STAND = "! Stand still for each photo; look where you step, not at the screen. High rows from a stable platform."
_WALL = (
    "[wall]",
    'name = "north bedroom"',
    "[targets]",
    'size = "120 mm"                 # of the black square, measured on the paper',
    "[targets.at]                    # middles: along from the left edge, up from the lowest",
    '0 = ["0.30 m", "0.30 m"]',
    '1 = ["3.90 m", "0.30 m"]        # and so on; or distances between two of them:',
    "[[distance]]",
    "between = [0, 1]",
    'is = "3.60 m"',
)


def guide_lines(units: str = "mm") -> tuple[str, ...]:
    """The five lines, lengths in the units asked for."""
    near, far = (_length(value, units) for value in (_NEAR, _FAR))
    return (
        "1  Hang four or more printed targets flat near the corners. Tape their middles, or the wall's width.",
        "2  Lock focus and exposure. No zoom, panorama, filter or moving light. Bare finish coat: chalk marks first.",
        f"3  Stand {near} to {far} off. Walk along twice, low and high. Each photo shows 70 % of the one before.",
        "4  Hold the phone turned by 90 degrees for every fourth photo. Take some at a slant, from either side.",
        "5  For plumb, read a plumb laser at twelve places of the same wall, and give the readings with the photos.",
    )


def guide_page(paper: str = "a4", units: str = "mm") -> Figure:
    """A page to print: the drawing, the five lines, and what to write into ``wall.toml`` beside the photos."""
    from matplotlib.figure import Figure

    wide, high = PAPERS[paper]
    page = Figure(figsize=(wide / 25.4, high / 25.4))
    page.text(_MARGIN / wide, 1 - 16 / high, "Photos of a bare wall: its relief without a depth sensor", fontsize=13)
    page.text(_MARGIN / wide, 1 - 21 / high, _STAND, fontsize=8.5, va="top")
    across = wide - 2 * _MARGIN
    tall = across * HIGH / WIDE
    axes = page.add_axes((_MARGIN / wide, 1 - (28 + tall) / high, across / wide, tall / high))
    draw_walk(axes, units)
    top = 38 + tall
    for number, line in enumerate(guide_lines(units)):
        page.text(_MARGIN / wide, 1 - (top + 8 * number) / high, line, fontsize=8.5, va="top")
    top += 50
    words = "Into the folder of the photos, as wall.toml, or give the taped width or height with the photos:"
    page.text(_MARGIN / wide, 1 - top / high, words, fontsize=8.5, va="top")
    for number, line in enumerate(_WALL):
        where = (_MARGIN + 4) / wide, 1 - (top + 8 + 5 * number) / high
        page.text(*where, line, fontsize=8, va="top", family="monospace")
    return page


def draw_walk(axes: Any, units: str = "mm") -> None:
    """Where to stand and what the photos cover, in metres of the drawing."""
    axes.set_xlim(0, WIDE)
    axes.set_ylim(0, HIGH)
    axes.axis("off")
    _from_above(axes, units)
    _facing(axes)


def _from_above(axes: Any, units: str) -> None:
    from matplotlib.patches import Polygon, Rectangle

    axes.add_patch(Rectangle((0.25, 2.85), 3.3, 0.13, facecolor=_GREY))
    axes.text(0.25, 3.32, "From above: walk along, one photo every step", fontsize=9, color=_INK, va="center")
    for number, x in enumerate((0.75, 1.25, 1.75, 2.25, 2.75)):
        lean = 0.55 if number == 3 else 0.0
        ends = [(x - 0.75 - lean, 2.85), (x + 0.75 - lean, 2.85)]
        ends = [(min(max(end, 0.25), 3.55), y) for end, y in ends]
        shown: dict[str, Any] = {"fill": False, "edgecolor": _GREY, "linewidth": 0.6}
        if number in (1, 2):
            shown = {"facecolor": _INK, "alpha": 0.10, "edgecolor": "none"}
        axes.add_patch(Polygon([(x, 1.15), *ends], **shown))
        axes.plot([x], [1.15], "^", color=_INK, markersize=7)
    axes.text(2.45, 0.93, "at a slant", fontsize=8, color=_INK, va="center")
    arrow = {"arrowstyle": "<->", "color": _INK, "lw": 0.8, "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", (0.42, 1.15), (0.42, 2.85), arrowprops=arrow)
    words = f"{_length(_NEAR, units)} to\n{_length(_FAR, units)}"
    box = {"facecolor": "white", "edgecolor": "none", "pad": 1}
    axes.text(0.42, 2.0, words, fontsize=8, ha="center", va="center", color=_INK, bbox=box)
    axes.annotate("", (2.95, 0.55), (0.6, 0.55), arrowprops={"arrowstyle": "->", "color": _INK, "lw": 1.2})
    axes.text(0.25, 0.3, "grey: what two neighbours both show, 70 % of each", fontsize=8, color=_INK, va="center")


def _facing(axes: Any) -> None:
    from matplotlib.patches import Rectangle

    left, foot, wide, high = 4.0, 0.55, 3.4, 2.45
    axes.text(left, 3.32, "Facing the wall: two rows, some turned", fontsize=9, color=_INK, va="center")
    axes.add_patch(Rectangle((left, foot), wide, high, facecolor=_LIGHT, edgecolor=_INK))
    for row, y in enumerate((foot + 0.05, foot + 1.36)):
        for number in range(5):
            turned = number == 2 + row
            size = (1.0, 1.39) if turned else (1.39, 1.0)
            x = left + 0.05 + 0.44 * number + (0.2 if turned else 0.0)
            here = min(y, foot + high - size[1] - 0.02), min(x, left + wide - size[0] - 0.02)
            how: dict[str, Any] = {"edgecolor": _INK if turned else _GREY, "linewidth": 1.3 if turned else 0.7}
            axes.add_patch(Rectangle((here[1], here[0]), *size, fill=False, **how))
    for x, y in ((0.12, 0.12), (3.08, 0.12), (3.08, 2.13), (0.12, 2.13), (1.6, 0.12), (1.6, 2.13)):
        axes.add_patch(Rectangle((left + x, foot + y), 0.2, 0.2, facecolor=_INK))
    axes.text(left, 0.3, "black: printed targets; tape x and y of each middle", fontsize=8, color=_INK, va="center")


def _length(value: float, units: str) -> str:
    return feet_and_inches(round(value / 0.1524) * 0.1524) if units == "in" else f"{value:g} m"

"""The wall as one faces it for the sheet of the day: screeds, dots with their packing, spots to cut, zones to fill."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial import cKDTree

from flatscan.core.notes import note
from flatscan.core.phrase import command_line, written
from flatscan.core.quantity import metres
from flatscan.plan.dots import Dot, Screed
from flatscan.plan.zones import Zone
from flatscan.report.drawings import smoothed
from flatscan.report.elevations import reach_of
from flatscan.report.figures.elevation import outline_patch
from flatscan.report.figures.labels import Box, Label, Labels, Point, around, on_and_around
from flatscan.report.figures.style import INK, PAPER, POINTS, font, width
from flatscan.report.say import say

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from flatscan.report.sections.day_section import DaySheet

# type whose figures are 5 mm high: 0.729 of its size in the sheets' font; smaller rather than over an edge
FIGURE = 20.0
_FIGURES = (FIGURE, 18.0, 16.0, 14.0, 12.0, 10.0, 8.5)
_MARK, _SMALL = 13.0, 8.5
# radii of a dot and of the dot to start from, half the width of a screed's line [inches]
_DOT, _START, _LINE = 0.055, 0.08, 0.03
# how thick a dot's ring is and the first one's [points], how far a figure stands off it, and off another [inches]
_STROKES, _BESIDE, _APART = (1.5, 3.0), 0.05, 0.1
_HIDDEN = "#e4e4e4"
_RASTER = 300
# a dot whose packing is not known: it is plumbed on site
LEFT_OVER = "–"
# how far figures reach over the wall's edge, and all that stands under it [inches]
_OVER, _UNDER = 0.14, 0.32
# how far labels keep from the wall's edge beside their own air, and the air of a figure [inches]
_CLEAR, _AIR = 0.0, 0.025
# so many places of a zone are tried for its name
_TRIED = 400


class DayWall:
    """A wall drawn into a rectangle of a figure; ``left_out`` are the numbers of the screeds with figures left out."""

    def __init__(self, figure: Figure, sheet: DaySheet, rect: Box, units: str) -> None:
        self.figure, self.sheet, self.units = figure, sheet, units
        self.wall = sheet.on.wall
        right, top = reach_of(self.wall)
        self.scale = min((rect[2] - rect[0]) / right, (rect[3] - rect[1]) / top)
        self.left, self.top = rect[0], rect[3]
        self.bottom = rect[3] - self.scale * top
        self.right = self.left + self.scale * right
        self.labels = Labels(self._inside)
        self.left_out: list[int] = []
        # edges of openings and whole chases: figures keep off them, marks of the openings do not
        self.edges: list[Box] = []
        wide, high = figure.get_size_inches()
        size = ((self.right - self.left) / wide, (self.top - self.bottom) / high)
        self.axes: Axes = figure.add_axes((self.left / wide, self.bottom / high, *size))
        self.axes.set_xlim(0, right)
        self.axes.set_ylim(0, top)
        self.axes.set_axis_off()

    @property
    def _inside(self) -> Box:
        """The wall without its edge, on which nothing is written."""
        return self.left + _CLEAR, self.bottom + _CLEAR, self.right - _CLEAR, self.top - _CLEAR

    def at(self, x: float, y: float) -> tuple[float, float]:
        """A place on the wall [m] on the page [inches]."""
        return self.left + self.scale * x, self.bottom + self.scale * y

    def draw(self) -> None:
        """Everything, what lies under first; the packing takes its places before all other words."""
        self._covered()
        self._zones()
        self._openings()
        self._outline()
        screeds = () if self.sheet.day.screeds is None else self.sheet.day.screeds.screeds
        for screed in screeds:
            self._screed(screed)
        self._fixed()
        for number, screed in enumerate(screeds, 1):
            self._packings(number, screed)
        self._marks()
        self._scales()

    def _scales(self) -> None:
        """How far each screed is from the left, under the wall, and how high its dots are, along the left edge."""
        laid = self.sheet.day.screeds
        if laid is None or not laid.screeds:
            return
        under = Labels((self.left - 0.2, self.bottom - _UNDER, self.right + 0.2, self.bottom - _OVER))
        for screed in laid.screeds:
            x, _ = self.at(screed.x, 0.0)
            label = under.put(self._length(screed.x), [(x, self.bottom - _OVER - 0.085)], _SMALL)
            if label is not None:
                self._write(label, zorder=8)
        for dot in laid.screeds[0].dots:
            text = self._length(dot.y)
            # a hair more than the air of a label and the room of marks, so that rounding decides nothing
            half = width(text, _SMALL, "bold") / 2 + 0.042
            _, y = self.at(0.0, dot.y)
            places = [(self.left + half, y + shift) for shift in (0.0, 0.14, -0.14)]
            label = self.labels.put(text, places, _SMALL)
            if label is not None:
                self._write(label, zorder=8)

    def _length(self, value: float) -> str:
        return written(metres(value), "bare", command_line(self.units))

    def _covered(self) -> None:
        relief, missing = self.sheet.on.relief, self.sheet.hidden
        if missing is not None and missing.any():
            self.axes.contourf(
                relief.x,
                relief.y,
                missing.astype(float),
                levels=[0.5, 1.5],
                colors=[_HIDDEN],
                hatches=["xxx"],
                zorder=1,
            ).set_clip_path(outline_patch(self.axes, self.wall))

    def _zones(self) -> None:
        """Zones to fill, hatched, with their edge."""
        relief, day = self.sheet.on.relief, self.sheet.day
        if not day.zones:
            return
        x, y, inside = relief.x, relief.y, smoothed((day.zone_of > 0).astype(float), relief)
        if not self.sheet.on.on_cells:
            # each station's own part of the wall
            right, top = reach_of(self.wall)
            x, y = np.linspace(0, right, _RASTER), np.linspace(0, top, _RASTER)
            across, up = relief.places
            tree = cKDTree(np.stack([across[relief.valid], up[relief.valid]], axis=1))
            _, owner = tree.query(np.stack(np.meshgrid(x, y), axis=-1))
            inside = (day.zone_of[relief.valid] > 0).astype(float)[owner]
        clip = outline_patch(self.axes, self.wall)
        filled = self.axes.contourf(x, y, inside, levels=[0.5, 1.5], colors=[PAPER], hatches=["//"], zorder=1.2)
        filled.set_clip_path(clip)
        edge = self.axes.contour(x, y, inside, levels=[0.5], colors=[INK], linewidths=0.8, zorder=1.3)
        edge.set_clip_path(clip)

    def _openings(self) -> None:
        from matplotlib.patches import Rectangle

        holes = [(hole, "day.opening", "") for hole in self.wall.openings]
        holes += [(hole, "day.pocket", "....") for hole in self.wall.pockets]
        for hole, _, hatch in holes:
            (left, bottom), (right, top) = self.at(hole.left, hole.bottom), self.at(hole.right, hole.top)
            # in an opening there is room, but not on its edges; a chase is hatched all over
            edges = [(left, bottom, right, bottom), (left, top, right, top), (left, bottom, left, top)]
            edges = [(left, bottom, right, top)] if hatch else [*edges, (right, bottom, right, top)]
            self.edges += [(a - _LINE, b - _LINE, c + _LINE, d + _LINE) for a, b, c, d in edges]
            self.axes.add_patch(
                Rectangle(
                    (hole.left, hole.bottom),
                    hole.width,
                    hole.height,
                    facecolor=PAPER,
                    edgecolor=INK,
                    linewidth=1.2,
                    hatch=hatch or None,
                    zorder=2,
                )
            )

    def _outline(self) -> None:
        from matplotlib.patches import Polygon

        self.axes.add_patch(Polygon(self.wall.whole, fill=False, edgecolor=INK, linewidth=1.8, zorder=7, clip_on=False))

    def _screed(self, screed: Screed) -> None:
        """A bold upright, broken where an opening is, and its dots."""
        from matplotlib.patches import Ellipse

        for low, high in screed.runs:
            self.axes.plot([screed.x] * 2, [low, high], color=INK, linewidth=3, solid_capstyle="butt", zorder=4)
            (x, bottom), (_, top) = self.at(screed.x, low), self.at(screed.x, high)
            self.labels.taken.append((x - _LINE, bottom, x + _LINE, top))
        for dot in screed.dots:
            radius, reach = (_START if dot.start_here else _DOT), _reach(dot)
            x, y = self.at(screed.x, dot.y)
            self.labels.points.append((x, y))
            self.labels.taken.append((x - reach, y - reach, x + reach, y + reach))
            across = 2 * radius / self.scale
            self.axes.add_patch(
                Ellipse(
                    (screed.x, dot.y),
                    across,
                    across,
                    facecolor=PAPER,
                    edgecolor=INK,
                    linewidth=_STROKES[dot.start_here],
                    zorder=6,
                    clip_on=False,
                )
            )

    def _packings(self, number: int, screed: Screed) -> None:
        """Each dot's packing beside it; one that finds no room in large type is told overleaf as well."""
        for dot in screed.dots:
            label = self._figure(packing_text(dot.packing, self.units), *self.at(screed.x, dot.y), _reach(dot))
            if label is not None:
                self._write(label, zorder=9)
            if label is None or label.size < FIGURE:
                self.left_out += [] if number in self.left_out else [number]

    def _figure(self, text: str, x: float, y: float, reach: float) -> Label | None:
        """A packing by its dot, off all that is drawn and within the wall's edge: rather smaller than over one."""
        taken, label = self.labels.taken, None
        self.labels.taken = [*taken, *self.edges]
        _, low, _, high = self.labels.room
        for size in _FIGURES:
            half = width(text, size, "bold") / 2, 0.52 * size / POINTS
            places = around(x, y, *half, reach + _BESIDE, rings=2)
            # level with its dot, but for the wall's head and foot
            clear = half[1] + _AIR
            within = ((at, min(max(up, low + clear), high - clear)) for at, up in places)
            label = self.labels.put(text, within, size, own=(x, y))
            if label is not None:
                # two figures beside each other are not read as one
                left, bottom, right, top = label.box
                taken.append((left - _APART, bottom, right + _APART, top))
                break
        self.labels.taken = taken
        return label

    def _fixed(self) -> None:
        for x, y, _ in self.sheet.on.fixed:
            self.axes.plot(x, y, marker="s", markersize=9, color=INK, zorder=8, clip_on=False)
            at_x, at_y = self.at(x, y)
            self.labels.taken.append((at_x - 0.07, at_y - 0.07, at_x + 0.07, at_y + 0.07))

    def _marks(self) -> None:
        """Spots to cut, zones, fixed points, openings: on their place, or beside it with a line to it."""
        day = self.sheet.day
        # other words than figures stand inside the wall
        self.labels.room = (self.left + 0.02, self.bottom + 0.02, self.right - 0.02, self.top - 0.02)
        for number, cut in zip(day.numbers, day.cuts, strict=True):
            self._mark(f"H{number}", cut.x, cut.y, _MARK, boxed=True)
        for zone in day.zones:
            code = "day.mark-zone" if zone.passes > 1 else "day.mark-zone-once"
            passes = note(code, name=zone.name, passes=zone.passes)
            self._mark(say(passes, self.units), zone.x, zone.y, _MARK, on=self._of_zone(zone))
        for x, y, _ in self.sheet.on.fixed:
            self._mark(say(note("day.mark-fixed"), self.units), x, y, _SMALL)
        holes = [(hole, "day.opening") for hole in self.wall.openings]
        for hole, code in [*holes, *((hole, "day.pocket") for hole in self.wall.pockets)]:
            said = say(note(code), self.units)
            self._mark(said, hole.left + hole.width / 2, hole.bottom + hole.height / 2, _SMALL)

    def _of_zone(self, zone: Zone) -> list[Point]:
        """Places of a zone [inches], the nearest to its middle first: a name on any of them needs no line to it."""
        day, (across, up) = self.sheet.day, self.sheet.on.relief.places
        inside = day.zone_of == 1 + day.zones.index(zone)
        x, y = across[inside], up[inside]
        order = np.argsort(np.hypot(x - zone.x, y - zone.y), kind="stable")
        return [self.at(float(x[k]), float(y[k])) for k in order[:: 1 + len(order) // _TRIED]]

    def _mark(
        self, text: str, x: float, y: float, size: float, *, boxed: bool = False, on: Sequence[Point] = ()
    ) -> None:
        at_x, at_y = self.at(x, y)
        pad = 0.04 if boxed else 0.02
        half = width(text, size, "bold") / 2 + pad, 0.52 * size / POINTS + pad
        label = self.labels.put(text, on, size, pad=pad) if on else None
        if label is not None:
            self._write(label, zorder=8, boxed=boxed)
            return
        label = self.labels.put(text, on_and_around(at_x, at_y, *half), size, pad=pad)
        if label is None:
            return
        if label.moved > half[1] + 0.02:
            self._leader(label.box, at_x, at_y)
        self._write(label, zorder=8, boxed=boxed)

    def _leader(self, box: Box, x: float, y: float) -> None:
        """A line from the nearest edge of a label to the place it means, with a point at that end."""
        from matplotlib.lines import Line2D

        wide, high = self.figure.get_size_inches()
        near_x, near_y = min(max(x, box[0]), box[2]), min(max(y, box[1]), box[3])
        self.figure.add_artist(
            Line2D([near_x / wide, x / wide], [near_y / high, y / high], color=INK, linewidth=0.8, zorder=7)
        )
        self.figure.add_artist(
            Line2D([x / wide], [y / high], marker="o", markersize=4, color=INK, linewidth=0, zorder=7)
        )

    def _write(self, label: Label, *, zorder: float, boxed: bool = False) -> None:
        from matplotlib.patches import Rectangle

        wide, high = self.figure.get_size_inches()
        left, bottom, right, top = label.box
        self.figure.add_artist(
            Rectangle(
                (left / wide, bottom / high),
                (right - left) / wide,
                (top - bottom) / high,
                facecolor=PAPER,
                edgecolor=INK if boxed else "none",
                linewidth=1.5,
                transform=self.figure.transFigure,
                zorder=zorder,
            )
        )
        self.figure.text(
            label.x / wide,
            label.base / high,
            label.text,
            fontproperties=font(label.size, "bold"),
            color=INK,
            ha="left",
            va="baseline",
            zorder=zorder + 0.1,
        )


def _reach(dot: Dot) -> float:
    """How far a dot's ring reaches from its middle [inches]."""
    return (_START if dot.start_here else _DOT) + _STROKES[dot.start_here] / 2 / POINTS


def packing_text(packing: float | None, units: str) -> str:
    """A packing as it stands on the wall: whole millimetres, or sixteenths of an inch, without the unit."""
    if packing is None:
        return LEFT_OVER
    return written(metres(packing), "bare", command_line(units)).removesuffix(" in")

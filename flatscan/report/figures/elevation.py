"""The wall as it is seen from the room: outline, openings, what was not measured, scales, bands and contour lines."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, cast

import numpy as np
from scipy.ndimage import distance_transform_edt
from scipy.spatial import cKDTree

from flatscan.core.geometry import Array, Mask
from flatscan.core.model import Relief, Wall
from flatscan.core.notes import note
from flatscan.core.photographed import FlatPicture
from flatscan.core.units import METRES_PER, feet_and_inches
from flatscan.report.bands import Spot, band_of
from flatscan.report.drawings import BandedDrawing, Straightedge
from flatscan.report.elevations import Elevation, hole_word, reach_of
from flatscan.report.figures import apart
from flatscan.report.figures.cut_outs import draw_cut_out, draw_object, draw_opening
from flatscan.report.figures.placed import write_figures
from flatscan.report.figures.style import INK, LINES, PAPER, after, font
from flatscan.report.say import say
from flatscan.report.under_contour import shade_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.contour import QuadContourSet
    from matplotlib.figure import Figure
    from matplotlib.patches import PathPatch

Rect = tuple[float, float, float, float]
_NOT_MEASURED = "#e4e4e4"
# how much of a band hides the photo under it
_TINT = 0.55
_RASTER = 400
# above this share of the height a number stands under its station, so that it stays in the drawing
_TOP = 0.93
# the largest type of a station's number, and how far it stands off its mark [inches]
_NUMBER, _CLEAR = 10.0, 0.05
# shorter lines are the noise of the surface and not its shape
SHORTEST = 0.35
# a photo under a contour has no more pixels a side: finer than print shows
_MOST_PIXELS = 1600


def wall_axes(figure: Figure, rect: Rect, wall: Wall, units: str) -> Axes:
    """Axes in ``rect`` [inches] that show the wall at one scale, x from its left corner and y from its foot."""
    wide, high = figure.get_size_inches()
    axes = figure.add_axes((rect[0] / wide, rect[1] / high, rect[2] / wide, rect[3] / high))
    axes.set_aspect("equal", adjustable="box", anchor="NW")
    right, top = reach_of(wall)
    axes.set_xlim(0, right)
    axes.set_ylim(0, top)
    _scale(axes, wall, units)
    return axes


def _scale(axes: Axes, wall: Wall, units: str) -> None:
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    foot = METRES_PER["ft"]
    steps = (foot / 2, foot, 2 * foot, 5 * foot, 10 * foot) if units == "in" else (0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
    axes.apply_aspect()
    inch = reach_of(wall)[0] / (axes.get_window_extent().width / axes.figure.dpi)
    # labels across need room for their figures, labels up only for their height
    for axis, room in ((axes.xaxis, 0.75 if units == "in" else 0.6), (axes.yaxis, 0.35)):
        axis.set_major_locator(MultipleLocator(next((s for s in steps if s >= room * inch), steps[-1])))
        axis.set_major_formatter(
            FuncFormatter(lambda at, _: feet_and_inches(at) if units == "in" else f"{at * 1000:.0f}")
        )
    axes.set_xlabel(say(note("drawing.from-left")) + after(units))
    axes.set_ylabel(say(note("drawing.from-floor")) + after(units))


def outline_patch(axes: Axes, wall: Wall) -> PathPatch:
    """The wall's outline as an invisible patch to clip by."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    patch = PathPatch(Path(np.vstack([wall.whole, wall.whole[:1]])), facecolor="none", edgecolor="none")
    axes.add_patch(patch)
    return patch


def nearest_filled(values: Array) -> Array:
    """The map with each NaN replaced by its nearest known value: only ever drawn under an opaque cover."""
    unknown = ~np.isfinite(values)
    if not unknown.any() or unknown.all():
        return values
    rows, cols = distance_transform_edt(unknown, return_distances=False, return_indices=True)
    return values[rows, cols]


def _to_the_edge(relief: Relief, wall: Wall, values: Array) -> tuple[Array, Array, Array]:
    """Centres and values with one rim more, so that the fill reaches the wall's edge and not the last centre."""
    (left, bottom), (right, top) = wall.whole.min(axis=0), wall.whole.max(axis=0)
    x = np.concatenate(([min(left, relief.x[0])], relief.x, [max(right, relief.x[-1])]))
    y = np.concatenate(([min(bottom, relief.y[0])], relief.y, [max(top, relief.y[-1])]))
    return x, y, np.pad(values, 1, mode="edge")


def fill_cells(axes: Axes, drawing: BandedDrawing, units: str = "mm") -> QuadContourSet:
    """Fill the bands of a map on cells, with thin labelled lines at its levels."""
    relief, wall, bands = drawing.on.relief, drawing.on.wall, drawing.bands(units)
    x, y, z = _to_the_edge(relief, wall, nearest_filled(drawing.drawn))
    clip = outline_patch(axes, wall)
    edges = [bands[0].low, *(band.high for band in bands)]
    # what lies beyond the outer bands still belongs to them
    inner = np.clip(z, edges[0] + 1e-9, edges[-1] - 1e-9)
    tones, hatches = [band.colour for band in bands], [band.hatch or None for band in bands]
    filled = axes.contourf(x, y, inner, levels=edges, colors=tones, hatches=hatches, zorder=1)
    filled.set_clip_path(clip)
    if drawing.on.picture is not None:
        _shade(axes, drawing.on.picture, clip)
    covered = np.pad(~relief.valid, 1, mode="edge")
    # lines end where nothing was measured; only the tones run on under the cover
    lines = list(contour_lines(x, y, np.where(covered, np.nan, z), drawing.levels(units)))
    _draw_lines(axes, lines, clip, covered, (x, y), units)
    _cover(axes, x, y, np.pad(relief.inside & ~relief.valid, 1, mode="edge"), clip)
    return filled


def _shade(axes: Axes, picture: FlatPicture, clip: PathPatch) -> None:
    """The wall's own photo as a light shade over the tones, under lines and marks."""
    shade = shade_of(picture, _MOST_PIXELS)
    ink = np.zeros((*shade.shape, 4))
    ink[..., 3] = shade
    right, top = (
        start + size * picture.step
        for start, size in zip((picture.left, picture.bottom), picture.seen.shape[::-1], strict=True)
    )
    extent = (picture.left, right, picture.bottom, top)
    limits = axes.get_xlim(), axes.get_ylim()
    axes.imshow(ink, extent=extent, origin="lower", zorder=1.5, aspect="equal").set_clip_path(clip)
    axes.set_xlim(limits[0])
    axes.set_ylim(limits[1])


def tint_cells(axes: Axes, drawing: BandedDrawing, units: str) -> QuadContourSet:
    """The bands half through over a photo, nothing where they are neutral or nothing was measured, and their edges."""
    from matplotlib.colors import to_rgba

    relief, bands, z = drawing.on.relief, drawing.bands(units), drawing.drawn
    clip = outline_patch(axes, drawing.on.wall)
    edges = [bands[0].low, *(band.high for band in bands)]
    inner = np.ma.masked_invalid(np.clip(z, edges[0] + 1e-9, edges[-1] - 1e-9))
    tones = [to_rgba(band.colour, _TINT if band.hatch else 0.0) for band in bands]
    hatches = [band.hatch or None for band in bands]
    filled = axes.contourf(relief.x, relief.y, inner, levels=edges, colors=tones, hatches=hatches, zorder=1)
    filled.set_clip_path(clip)
    least, most = drawing.span
    inside = [edge for edge in edges[1:-1] if least < edge < most]
    lines = list(contour_lines(relief.x, relief.y, z, inside))
    _draw_lines(axes, lines, clip, ~relief.valid, (relief.x, relief.y), units)
    return filled


def number_stations(axes: Axes, drawing: BandedDrawing, units: str) -> None:
    """Each station's mark and number, without tones."""
    _numbers(axes, drawing, units)


def _cover(axes: Axes, x: Array, y: Array, missing: Mask, clip: PathPatch) -> None:
    if not missing.any():
        return
    cover = axes.contourf(
        x, y, missing.astype(float), levels=[0.5, 1.5], colors=[_NOT_MEASURED], hatches=["xxx"], zorder=3
    )
    cover.set_clip_path(clip)


def fill_stations(axes: Axes, drawing: BandedDrawing, units: str) -> None:
    """Each station's own part of the wall in its band's tone, and its number: nothing is drawn in between."""
    relief, wall, bands = drawing.on.relief, drawing.on.wall, drawing.bands(units)
    across, up = relief.places
    known = np.isfinite(drawing.values) & relief.inside
    step = max(wall.width, wall.height) / _RASTER
    x = (np.arange(round(wall.width / step) + 1)) * step
    y = (np.arange(round(wall.height / step) + 1)) * step
    tree = cKDTree(np.stack([across[known], up[known]], axis=1))
    _, owner = tree.query(np.stack(np.meshgrid(x, y), axis=-1))
    index = band_of(drawing.values[known], bands)[owner]
    clip = outline_patch(axes, wall)
    for number, band in enumerate(bands):
        part = (index == number).astype(float)
        if part.any():
            hatch = [band.hatch or None]
            axes.contourf(x, y, part, levels=[0.5, 1.5], colors=[band.colour], hatches=hatch, zorder=1).set_clip_path(
                clip
            )
    _numbers(axes, drawing, units)


def _numbers(axes: Axes, drawing: BandedDrawing, units: str) -> None:
    """Each station's mark, and its number over or under it; scores are no lengths."""
    wall, (across, up) = drawing.on.wall, drawing.on.relief.places
    known = np.isfinite(drawing.values) & drawing.on.relief.inside
    x, y, values = across[known], up[known], drawing.values[known]
    scale = 1.0 if drawing.shows == "score" else 1000.0
    inches = units == "in" and scale > 1
    # a number that rounds to zero has no sign
    said = [feet_and_inches(v) if inches else f"{round(v * scale, 1) + 0.0:.1f}".replace("-", "−") for v in values]
    for at, high in zip(x, y, strict=True):
        axes.plot(at, high, marker="+", color=INK, markersize=5, markeredgewidth=0.6, zorder=5)
    write_figures(axes, wall, list(zip(x, y, strict=True)), said, largest=_NUMBER, off=_CLEAR)


def draw_wall(axes: Axes, on: Elevation, units: str, *, see_through: bool = False) -> None:
    """Openings, outline and fixed points over whatever was filled in; ``see_through`` leaves a photo's openings be."""
    from matplotlib.patches import Polygon, Rectangle

    for left, bottom, right, top in on.reference:
        at, stroke = (left, bottom), LINES["dots"]
        part = Rectangle(at, right - left, top - bottom, fill=False, edgecolor=INK, linewidth=1.6, linestyle=stroke)
        axes.add_patch(part)
    for hole in on.wall.openings:
        draw_opening(axes, hole, units, see_through)
    for hole in (*on.wall.pockets, *on.wall.skips):
        draw_cut_out(axes, hole, hole_word(hole, on.wall), units, see_through)
    for it in on.wall.objects:
        draw_object(axes, it, units)
    outline = on.wall.whole
    line = LINES["dotted"] if on.region else "-"
    axes.add_patch(Polygon(outline, fill=False, edgecolor=INK, linewidth=1.6, linestyle=line, zorder=7, clip_on=False))
    for x, y, _ in on.fixed:
        axes.plot(
            x,
            y,
            marker="s",
            markersize=8,
            markerfacecolor="none",
            markeredgecolor=INK,
            zorder=8,
            clip_on=False,
            gid=apart.KEEP_OFF,
        )


def mark_spots(axes: Axes, spots: tuple[Spot, ...], *, beside: bool = False) -> None:
    """Numbered spots, H in a square and L in a ring so that print tells them apart, kept whole inside the drawing.

    ``beside`` sets them next to their place instead of on it, where a number stands there already.
    """
    axes.apply_aspect()
    box = axes.get_window_extent()
    rim = 0.16 * axes.figure.dpi * axes.get_xlim()[1] / box.width
    points = 72 / axes.figure.dpi * box.width / axes.get_xlim()[1]
    for spot in spots:
        shape = "square,pad=0.25" if spot.mark[0] == "H" else "circle,pad=0.18"
        x = min(max(spot.x, rim), axes.get_xlim()[1] - rim)
        under = (2.4 * rim if spot.y > _TOP * axes.get_ylim()[1] else 1.1 * rim) if beside else 0.0
        y = min(max(spot.y - under, rim), axes.get_ylim()[1] - rim)
        # its place stays with it, so that a leader ends there and nowhere else
        axes.annotate(
            spot.mark,
            (spot.x, spot.y),
            xytext=((x - spot.x) * points, (y - spot.y) * points),
            textcoords="offset points",
            ha="center",
            va="center",
            zorder=9,
            fontproperties=font(11, "bold"),
            annotation_clip=False,
            gid=apart.MARK,
            bbox={"boxstyle": shape, "facecolor": PAPER, "edgecolor": INK, "linewidth": 1.2},
        )


def draw_straightedge(axes: Axes, edge: Straightedge, units: str) -> None:
    """A straightedge laid on the wall from contact to contact, its gap written along it beside its left end."""
    (x0, y0), (x1, y1) = sorted(edge.ends)
    axes.plot([x0, x1], [y0, y1], color=PAPER, linewidth=6, solid_capstyle="butt", zorder=8)
    axes.plot([x0, x1], [y0, y1], color=INK, linewidth=3, solid_capstyle="butt", zorder=8)
    axes.plot([x0, x1], [y0, y1], "o", color=INK, markersize=7, zorder=8)
    if edge.gap is not None:
        axes.annotate(
            say(note("drawing.gap", gap=edge.gap), units),
            (x0 + 0.22 * (x1 - x0), y0 + 0.22 * (y1 - y0)),
            xytext=(0, 9),
            textcoords="offset points",
            ha="center",
            va="center",
            zorder=9,
            fontproperties=font(10, "bold"),
            gid=apart.MARK,
            bbox={"boxstyle": "round,pad=0.2", "facecolor": PAPER, "edgecolor": "none"},
        )


def contour_lines(
    x: Array, y: Array, z: Array, levels: list[float], *, shortest: float = SHORTEST
) -> Iterator[tuple[float, Array]]:
    """Level and polyline (n, 2) of every contour of ``z`` (rows, cols) at least ``shortest`` metres long.

    ``x`` (cols,) and ``y`` (rows,) are the centres; a line ends where z is NaN (marching squares of contourpy).
    """
    from contourpy import contour_generator

    maker = contour_generator(x, y, np.ma.masked_invalid(z))
    for level in levels:
        for line in cast("list[Array]", maker.lines(level)):
            if np.hypot(*np.diff(line, axis=0).T).sum() >= shortest:
                yield level, line


def _draw_lines(
    axes: Axes, lines: list[tuple[float, Array]], clip: PathPatch, keep_off: Mask, cell: tuple[Array, Array], units: str
) -> None:
    """Thin lines, each with its level in mm at the place nearest its middle that is not covered."""
    from matplotlib.collections import LineCollection

    drawn = LineCollection([line for _, line in lines], colors=INK, linewidths=0.4, zorder=2)
    axes.add_collection(drawn, autolim=False)
    drawn.set_clip_path(clip)
    taken: list[Array] = []
    spaced = 0.07 * max(axes.get_xlim()[1], axes.get_ylim()[1])
    for level, line in sorted(lines, key=lambda found: -len(found[1])):
        at = _label_place(line, keep_off, cell, taken, spaced)
        if at is not None:
            taken.append(at)
            axes.text(
                at[0],
                at[1],
                feet_and_inches(level) if units == "in" else f"{level * 1000:g}".replace("-", "−"),
                ha="center",
                va="center",
                zorder=2.5,
                fontproperties=font(7),
                gid=apart.WORD,
                bbox={"boxstyle": "round,pad=0.1", "facecolor": PAPER, "edgecolor": "none"},
            )


def _label_place(
    line: Array, keep_off: Mask, cell: tuple[Array, Array], taken: list[Array], spaced: float
) -> Array | None:
    x, y = cell
    half = len(line) // 2
    for step in range(0, half, max(1, half // 12)):
        for at in (line[half - step], line[min(half + step, len(line) - 1)]):
            col, row = np.searchsorted(x, at[0]) - 1, np.searchsorted(y, at[1]) - 1
            covered = keep_off[min(max(row, 0), len(y) - 1), min(max(col, 0), len(x) - 1)]
            edge = min(at[0] - x[0], x[-1] - at[0], at[1] - y[0], y[-1] - at[1])
            if not covered and edge > spaced / 3 and all(np.hypot(*(at - other)) > spaced for other in taken):
                return at
    return None

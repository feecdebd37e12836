"""The numbers of a wall packed for the page in hundredths of a millimetre, so that it computes what Python does.

Every cell is sent: a straightedge laid on means over blocks of cells read up to 1 mm less than Python, and reached over
places that Python does not reach over. Neighbours differ by little, so a cell is the step from the one before it, in as
many bytes as that takes: one or two.
"""

from __future__ import annotations

import base64
import math

import numpy as np
from numpy.typing import NDArray

from flatscan.core.geometry import Array, Mask
from flatscan.core.holes import GIVEN
from flatscan.core.model import Opening, Wall, WallObject
from flatscan.core.notes import note
from flatscan.report.bands import Spot
from flatscan.report.drawings import BandedDrawing, LowDrawing, SetOutDrawing, Straightedge
from flatscan.report.elevations import Elevation, hole_word, packing_word, reach_of
from flatscan.report.parts import Report
from flatscan.report.say import say
from flatscan.report.under_contour import shade_as_jpeg

# 0.01 mm: ten times finer than the 0.1 mm a page has to keep
QUANTUM = 1e-5
# the codes of cells that hold no number; steps are counted on from there
MISSING, OUTSIDE, _STEPS = 0, 1, 2
# more cells than this are sent as means over blocks, on which no straightedge is laid: they would be some 8 MB
MOST_CELLS = 4_000_000
# a photo under the contour has no more pixels a side: some 300 kB at most
_PHOTO = 1400
_KINDS = {"": "", "/": "lines", ".": "dots"}
_TITLES = {
    "build-up": note("drawing.layer-build-up"),
    "relief": note("drawing.layer-relief"),
    "gaps": note("drawing.layer-gaps"),
}


def pack(report: Report, units: str) -> dict[str, object]:
    """Everything the page's script reads, in metres: grid or stations, planes, layers with their bands, spots."""
    maps = report.maps()
    relief = maps["relief"]
    wall, rule = relief.on.wall, relief.on.rule
    right, top = reach_of(wall)
    return {
        "units": units,
        "width": right,
        "height": top,
        "outline": wall.whole.tolist(),
        "openings": [_opening(hole, wall, units) for hole in wall.cut_out],
        "region": relief.on.region,
        "objects": [_object(one, units) for one in wall.objects],
        "fit": _plane(relief),
        "finish": _plane(maps["build-up"]) if "build-up" in maps else None,
        "rule": rule,
        "start": None if relief.edge is None else _start(relief.edge),
        "grid": _grid(relief.on, maps.get("gaps")),
        "stations": _stations(relief.on),
        "layers": layers(report, units),
        "photo": None if relief.on.picture is None else shade_as_jpeg(relief.on.picture, _PHOTO),
        "worst": _worst(report),
        "dots": _dots(report, units),
    }


def _worst(report: Report) -> dict[str, object] | None:
    """The straightedge with the largest gap, which is shown whatever else is; None where none was laid."""
    drawn = report.maps()
    edge = next((drawn[name].edge for name in ("gaps", "relief") if name in drawn and drawn[name].edge), None)
    return None if edge is None else {"ends": [list(end) for end in edge.ends]}


def _dots(report: Report, units: str) -> list[dict[str, object]]:
    """Every dot of a set-out with its packing, as its sheet has it; one that is plumbed on site has none."""
    return [
        {
            "x": screed.x,
            "y": dot.y,
            "start": dot.start_here,
            "text": "" if dot.packing is None else packing_word(dot.packing, units),
        }
        for drawing in report.drawings
        if isinstance(drawing, SetOutDrawing)
        for screed in drawing.screeds.screeds
        for dot in screed.dots
    ]


def _opening(hole: Opening, wall: Wall, units: str) -> dict[str, object]:
    """An opening, a chase or a part left out as the elevation shows it: rectangle, word, whether somebody drew it."""
    given = hole.evidence == GIVEN
    word = say(hole_word(hole, wall), units)
    place = {"left": hole.left, "bottom": hole.bottom, "width": hole.width, "height": hole.height}
    return {**place, "given": given, "word": word}


def _object(it: WallObject, units: str) -> dict[str, object]:
    """A thing before the wall as the elevation shows it: its rectangle, its number, and whether it counts as wall."""
    code = "drawing.object-doubtful" if it.state == "doubtful" else "drawing.object"
    return {
        "left": it.x - it.width / 2,
        "bottom": it.y - it.height / 2,
        "width": it.width,
        "height": it.height,
        "mark": say(note(code, number=it.number), units),
        "wall": it.state != "removed",
    }


def _plane(drawing: BandedDrawing) -> list[float] | None:
    return None if drawing.plane is None else list(drawing.plane)


def _start(edge: Straightedge) -> list[float]:
    """Where the straightedge lies at first: middle, turn and contacts' distance of the worst one."""
    (x0, y0), (x1, y1) = edge.ends
    return [(x0 + x1) / 2, (y0 + y1) / 2, math.atan2(y1 - y0, x1 - x0), math.hypot(x1 - x0, y1 - y0)]


def block_of(on: Elevation) -> int:
    """How many cells each way are drawn together into one on the page; 1 is none."""
    cells = on.relief.offset.size
    return 1 if cells <= MOST_CELLS else int(np.ceil(np.sqrt(cells / MOST_CELLS)))


def _grid(on: Elevation, gaps: BandedDrawing | None) -> dict[str, object] | None:
    relief, block = on.relief, block_of(on)
    if not relief.known_between:
        return None
    inside = _blocks(relief.inside.astype(float), block) > 0
    offset = _blocks(np.where(relief.valid, relief.offset, np.nan), block)
    base = float(np.nanmedian(offset)) if np.isfinite(offset).any() else 0.0
    rows, cols = offset.shape
    grid: dict[str, object] = {
        "cell": relief.step * block,
        "x0": float(relief.x[0]) + (block - 1) * relief.step / 2,
        "y0": float(relief.y[0]) + (block - 1) * relief.step / 2,
        "cols": cols,
        "rows": rows,
        "base": base,
        "quantum": QUANTUM,
        "whole": block == 1,
        "offset": packed(offset - base, inside),
    }
    if gaps is not None:
        grid["gap"] = packed(_blocks(gaps.values, block), inside)
    return grid


def _blocks(values: Array, block: int) -> Array:
    """Means over blocks of cells, of what was measured in each; a block with nothing in it stays missing."""
    if block == 1:
        return values
    rows, cols = (-(-n // block) * block for n in values.shape)
    whole = np.full((rows, cols), np.nan)
    whole[: values.shape[0], : values.shape[1]] = values
    parts = whole.reshape(rows // block, block, cols // block, block)
    known = np.isfinite(parts)
    count = known.sum(axis=(1, 3))
    total = np.where(known, parts, 0.0).sum(axis=(1, 3))
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def packed(values: Array, inside: Mask) -> str:
    """A map (rows, cols) [m] as base64: row by row the steps in `QUANTUM` from one known cell to the next.

    A code is 0 where nothing was measured, 1 outside the wall, else 2 and the step, zigzag (0, -1, 1, ...), in groups
    of 7 bits, low ones first, the 8th set where more follow (LEB128, as in DWARF 5, 7.6).
    """
    values, inside = values.ravel(), inside.ravel()
    known = np.isfinite(values) & inside
    steps = np.diff(np.round(values[known] / QUANTUM).astype(np.int64), prepend=0)
    codes = np.where(inside, MISSING, OUTSIDE).astype(np.uint64)
    codes[known] = (np.where(steps < 0, -2 * steps - 1, 2 * steps) + _STEPS).astype(np.uint64)
    return base64.b64encode(_in_groups(codes)).decode("ascii")


def _in_groups(codes: NDArray[np.uint64]) -> bytes:
    """Each code in groups of 7 bits, one after another."""
    lengths = np.ones(len(codes), int)
    for group in range(1, 9):
        lengths += codes >= np.uint64(1 << (7 * group))
    ends = np.cumsum(lengths)
    made = np.zeros(int(ends[-1]) if len(ends) else 0, np.uint8)
    for group in range(int(lengths.max(initial=0))):
        here = lengths > group
        bits = (codes[here] >> np.uint64(7 * group)) & np.uint64(0x7F)
        more = np.where(lengths[here] > group + 1, 0x80, 0).astype(np.uint64)
        made[(ends - lengths)[here] + group] = (bits | more).astype(np.uint8)
    return made.tobytes()


def _stations(on: Elevation) -> list[dict[str, float]]:
    relief = on.relief
    if relief.known_between:
        return []
    across, up = relief.places
    known = relief.valid
    return [
        {"x": float(x), "y": float(y), "z": float(z)}
        for x, y, z in zip(across[known], up[known], relief.offset[known], strict=True)
    ]


def layers(report: Report, units: str) -> list[dict[str, object]]:
    """What the page can show: the build-up first where there is one, then the relief, then the gaps."""
    return [
        _layer(it, _marked(report, it, first=number == 0), units)
        for number, it in enumerate(it for it in report.shown_on("page") if isinstance(it, BandedDrawing))
    ]


def _marked(report: Report, drawing: BandedDrawing, *, first: bool) -> tuple[Spot, ...]:
    """The spots of a drawing: all lows there are to fill, and on the first one the worst gap before all others."""
    if not first:
        return drawing.spots
    worst = tuple(spot for spot in report.spots if spot.mark == "G1" and spot not in drawing.spots)
    lows = next((it.spots for it in report.drawings if isinstance(it, LowDrawing)), drawing.spots)
    return (*worst, *lows)


def _layer(drawing: BandedDrawing, spots: tuple[Spot, ...], units: str) -> dict[str, object]:
    return {
        "name": drawing.shows,
        "title": say(_TITLES[drawing.shows]),
        "bands": [
            {
                "high": min(band.high, 1000.0),
                "colour": band.colour,
                "kind": _KINDS[band.hatch[:1]],
                "density": min(len(band.hatch) - 1, 4) if band.hatch else 0,
                "words": say(band.words, units),
            }
            for band in drawing.bands(units)
        ],
        "spots": [{"mark": spot.mark, "x": spot.x, "y": spot.y} for spot in spots],
    }

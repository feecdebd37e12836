"""The numbers of a wall packed for the page in hundredths of a millimetre, so that it computes what Python does."""

from __future__ import annotations

import base64
import math

import numpy as np

from flatscan.core.geometry import Array, Mask
from flatscan.report import tables
from flatscan.report.figures import bands as banding
from flatscan.report.figures.contour import flatness_limit
from flatscan.report.view import Findings

# 0.01 mm: ten times finer than the 0.1 mm a page has to keep
QUANTUM = 1e-5
MISSING, OUTSIDE = -32768, -32767
_MOST = 32000
# more cells than this are sent as means over blocks, so that the page stays small enough to send from a phone
MOST_CELLS = 200_000
_KINDS = {"": "", "/": "lines", ".": "dots"}


def pack(findings: Findings, units: str) -> dict[str, object]:
    """Everything the page's script reads, in metres: grid or stations, planes, layers with their bands, spots."""
    wall, built = findings.wall, findings.build_up
    plane = None if built is None else [built.plane.offset, built.plane.turn, built.plane.lean]
    openings = [{"left": o.left, "bottom": o.bottom, "width": o.width, "height": o.height} for o in wall.openings]
    return {
        "units": units,
        "width": wall.width,
        "height": wall.height,
        "outline": wall.outline.tolist(),
        "openings": openings,
        "fit": [float(c) for c in findings.shape.plane],
        "finish": plane,
        "rule": 1.8 if findings.gaps is None else findings.gaps.rule,
        "start": _start(findings),
        "grid": _grid(findings),
        "stations": _stations(findings),
        "layers": layers(findings, units),
    }


def _start(findings: Findings) -> list[float] | None:
    """Where the straightedge lies at first: middle, turn and contacts' distance of the worst one, None without one."""
    shown = None if findings.gaps is None else findings.gaps.judged()
    if shown is None:
        return None
    (x0, y0), (x1, y1) = shown.left, shown.right
    return [(x0 + x1) / 2, (y0 + y1) / 2, math.atan2(y1 - y0, x1 - x0), math.hypot(x1 - x0, y1 - y0)]


def block_of(findings: Findings) -> int:
    """How many cells each way are drawn together into one on the page; 1 is none."""
    cells = findings.relief.offset.size
    return 1 if cells <= MOST_CELLS else int(np.ceil(np.sqrt(cells / MOST_CELLS)))


def _grid(findings: Findings) -> dict[str, object] | None:
    relief, gaps = findings.relief, findings.gaps
    if not relief.known_between:
        return None
    block = block_of(findings)
    inside = _blocks(relief.inside.astype(float), block) > 0
    offset = _blocks(np.where(relief.valid, relief.offset, np.nan), block)
    base = float(np.nanmedian(offset)) if np.isfinite(offset).any() else 0.0
    packed, quantum = _pack(offset - base, inside)
    rows, cols = offset.shape
    made: dict[str, object] = {
        "cell": relief.step * block,
        "x0": float(relief.x[0]) + (block - 1) * relief.step / 2,
        "y0": float(relief.y[0]) + (block - 1) * relief.step / 2,
        "cols": cols,
        "rows": rows,
        "base": base,
        "quantum": quantum,
        "offset": packed,
    }
    if gaps is not None and np.isfinite(gaps.deepest).any():
        made["gap"], made["gap_quantum"] = _pack(_blocks(np.where(relief.valid, gaps.deepest, np.nan), block), inside)
    return made


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


def _pack(values: Array, inside: Mask) -> tuple[str, float]:
    """Little-endian 16-bit whole multiples of the quantum, which grows only where the wall asks for it."""
    reach = float(np.nanmax(np.abs(values))) if np.isfinite(values).any() else 0.0
    quantum = max(QUANTUM, reach / _MOST)
    whole = np.where(np.isfinite(values), np.round(values / quantum), MISSING)
    whole = np.where(inside, whole, OUTSIDE).astype("<i2")
    return base64.b64encode(whole.tobytes()).decode("ascii"), quantum


def _stations(findings: Findings) -> list[dict[str, float]]:
    relief = findings.relief
    if relief.known_between:
        return []
    across, up = relief.places
    known = relief.valid
    return [
        {"x": float(x), "y": float(y), "z": float(z)}
        for x, y, z in zip(across[known], up[known], relief.offset[known], strict=True)
    ]


def layers(findings: Findings, units: str) -> list[dict[str, object]]:
    """What the page can show: build-up first where there is one, then the relief, then the gaps."""
    valid = findings.relief.valid
    made = []
    if findings.build_up is not None:
        t = findings.build_up.thickness[valid]
        bands = banding.build_up_bands(float(np.nanmin(t)), float(np.nanmax(t)), units)
        made.append(_layer("build-up", "build-up", bands, tables.spots(findings)))
    r = findings.shape.residual[valid]
    bands = banding.deviation_bands(float(np.nanmin(r)), float(np.nanmax(r)), units)
    spots = () if findings.build_up is not None else tables.spots(findings)
    made.append(_layer("relief", "proud and hollow", bands, spots))
    gaps = findings.gaps
    if gaps is not None and findings.relief.known_between and np.isfinite(gaps.deepest[valid]).any():
        bands = banding.gap_bands(flatness_limit(findings), float(np.nanmax(gaps.deepest[valid])), units)
        made.append(_layer("gaps", "gap under the straightedge", bands, tables.gap_spots(findings)))
    return made


def _layer(name: str, title: str, bands: tuple[banding.Band, ...], spots: tuple[tables.Spot, ...]) -> dict[str, object]:
    return {
        "name": name,
        "title": title,
        "bands": [
            {
                "high": min(band.high, 1000.0),
                "colour": band.colour,
                "kind": _KINDS[band.hatch[:1]],
                "density": min(len(band.hatch) - 1, 4) if band.hatch else 0,
                "words": band.words,
            }
            for band in bands
        ],
        "spots": [{"mark": spot.mark, "x": spot.x, "y": spot.y} for spot in spots],
    }

"""Tables for a spreadsheet: offsets.csv and spots.csv.

offsets.csv holds cell or station of a wall, in an open layout.

One header line, then one line a cell from the foot up and from left to right: x_mm, y_mm (the cell's centre from the
wall's left edge and foot), offset_mm (from the wall's own upright plane, + proud), u_mm (random standard uncertainty),
buildup_mm (to the finish plane), gap_mm (deepest under a straightedge). Empty: not measured, or not asked for.
spots.csv holds the numbered spots of the drawings: mark, x_mm, y_mm, value_mm, what.
"""

from __future__ import annotations

import numpy as np

from flatscan.core.geometry import Array
from flatscan.report import tables
from flatscan.report.numbers import DECIMALS
from flatscan.report.view import Findings

COLUMNS = ("x_mm", "y_mm", "offset_mm", "u_mm", "buildup_mm", "gap_mm")


def columns(findings: Findings) -> tuple[Array, ...]:
    """One (n,) array in mm for each of `COLUMNS`, for every cell on the outline that is not in an opening."""
    relief = findings.relief
    across, up = relief.places
    nothing = np.full(relief.offset.shape, np.nan)
    thickness = nothing if findings.build_up is None else findings.build_up.thickness
    gap = nothing if findings.gaps is None else findings.gaps.deepest
    measured = [np.where(relief.valid, values, np.nan) for values in (relief.offset, relief.u, thickness, gap)]
    return tuple(values[relief.inside] * 1000 for values in (across, up, *measured))


def text(findings: Findings) -> str:
    """The whole file; line breaks are single newlines so that the same input gives the same bytes."""
    # adding 0.0 makes minus zero zero
    rounded = [np.round(values, DECIMALS) + 0.0 for values in columns(findings)]
    written = [["" if v != v else f"{v:.0f}" if v == int(v) else repr(v) for v in c.tolist()] for c in rounded]
    lines = [",".join(COLUMNS), *map(",".join, zip(*written, strict=True))]
    return "\n".join(lines) + "\n"


def spots_text(findings: Findings) -> str:
    """The numbered spots of the contour and of the gap map, one a line."""
    found = (*tables.spots(findings), *tables.gap_spots(findings))
    lines = [
        f"{s.mark},{s.x * 1000:.1f},{s.y * 1000:.1f},{s.value * 1000:.1f},{s.what.replace(',', '')}" for s in found
    ]
    return "\n".join(("mark,x_mm,y_mm,value_mm,what", *lines)) + "\n"

"""The contour and the numbered spots laid over the straightened photo of the wall."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from flatscan.report import tables, words
from flatscan.report.figures import elevation, titleblock
from flatscan.report.figures.contour import what_is_drawn
from flatscan.report.figures.style import A4
from flatscan.report.straightened import Photo, straighten
from flatscan.report.view import Findings

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# the photo is paled so that hatch, lines and marks stand out in a black-and-white print
_PALE = 0.55


def on_photo(findings: Findings, photo: Photo, units: str = "mm", *, size: tuple[float, float] = A4) -> Figure:
    """Bands without their neutral one, lines and spots over the photo; raises what `straighten` does."""
    straight = straighten(photo, findings.wall)
    title, values, bands = what_is_drawn(findings, units)
    figure, axes, box = titleblock.drawing(findings, f"{title}, on the photo", units, size)
    grey = straight.image.astype(float) @ np.array([0.2126, 0.7152, 0.0722]) / 255
    wall = findings.wall
    extent = (0, wall.width, 0, wall.height)
    axes.imshow(1 - _PALE * (1 - grey), cmap="gray", vmin=0, vmax=1, extent=extent, zorder=0, aspect="equal")
    if findings.relief.known_between and min(values.shape) > 1:
        elevation.tint_cells(axes, findings, values, bands, units)
    else:
        elevation.number_stations(axes, findings, values, units)
    elevation.draw_wall(axes, findings, see_through=True)
    spots = tables.spots(findings)
    elevation.mark_spots(axes, spots, beside=not findings.relief.known_between)
    titleblock.scale_bar(axes, units)
    titleblock.key_and_spots(figure, box, bands, spots, units, missing=False)
    off = words.length(straight.error, units, decimals=1)
    titleblock.foot(
        figure, findings, units, f"Photo straightened {straight.how}; its points agree to {off} on the wall."
    )
    return figure

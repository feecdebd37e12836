"""How much of the wall lies in each band of its contour: area and litres, band by band."""

from __future__ import annotations

import numpy as np

from flatscan.report import words
from flatscan.report.figures.bands import Band, build_up_bands, deviation_bands
from flatscan.report.tables import Column, Table
from flatscan.report.view import Findings

_ON_THE_EDGE = 1e-7


def bands_of(findings: Findings, units: str) -> tuple[tuple[Band, float, float], ...]:
    """Each band with its area [m2] and the volume [m3] between the wall and the plane in it.

    The plane is the finish plane where one was placed, else the best-fit plane. Bands nothing lies in are left out.
    """
    relief, built = findings.relief, findings.build_up
    values = findings.shape.residual if built is None else built.thickness
    known = relief.valid & np.isfinite(values)
    if not known.any():
        return ()
    v, area = values[known], relief.area[known]
    sorted_by = v + _ON_THE_EDGE
    choose = deviation_bands if built is None else build_up_bands
    made = []
    bands = choose(float(v.min()), float(v.max()), units)
    for band in bands:
        # the outer bands are open
        low = -np.inf if band is bands[0] else band.low
        high = np.inf if band is bands[-1] else band.high
        here = (sorted_by >= low) & (sorted_by < high)
        if here.any():
            made.append((band, float(area[here].sum()), float((np.abs(v[here]) * area[here]).sum())))
    return tuple(made)


def table(findings: Findings, units: str) -> Table:
    """The bands of the marked elevation, from proud or thin to hollow or thick."""
    rows = tuple((band.words, area, volume) for band, area, volume in bands_of(findings, units))
    columns = (Column("band", "band"), Column("area_m2", "area", 2), Column("volume_l", "volume", 1))
    title = "Bands of the marked elevation, measured wall"
    return Table("bands", title, columns, rows, "nothing was measured", _caution(findings, units))


def _caution(findings: Findings, units: str) -> str:
    return words.before_thick(units) if words.is_thick(findings) else ""

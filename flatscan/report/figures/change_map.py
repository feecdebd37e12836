"""The difference map of a comparison: what came on and went off, at the places both surveys measured."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from flatscan.core.errors import OutputError
from flatscan.report.figures.change import before_after
from flatscan.report.figures.style import A4
from flatscan.report.view import Findings

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def change_map(findings: Findings, units: str = "mm", *, size: tuple[float, float] = A4) -> Figure:
    """Change between the two surveys of a comparison; findings without one on cells raise `OutputError`."""
    made = findings.compared
    if made is None or not made.change.relief.known_between:
        raise OutputError("change.png", "no comparison of two scans", needed="changes on cells",
                          remedy="Compare two scans; readings are listed in the tables")  # fmt: skip
    change = made.change
    still = replace(change.relief, offset=np.where(np.isfinite(change.change), 0.0, np.nan))
    moved = replace(change.relief, offset=change.change)
    first, second = (replace(findings, relief=relief) for relief in (still, moved))
    return before_after(first, second, units, detection=change.detection, size=size)

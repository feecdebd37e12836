"""A straightedge along each photographed laser line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from flatscan import relief, straightedge
from flatscan.capture.line_budget import LineSurvey, survey_lines
from flatscan.capture.pictures import LINE_READER
from flatscan.core.model import Origin, Readings
from flatscan.core.notes import note
from flatscan.jobs.results import Lines
from flatscan.jobs.settings import LINES_TYPE, Progress, silent
from flatscan.straightedge.gaps import Gap


def lines(path: str | Path, rule: float, pairs: Sequence[tuple[Path, Path]] = (), progress: Progress = silent) -> Lines:
    """The lines of a set-up file, or of ``pairs`` of pictures in place of its own, with a straightedge along each."""
    progress("measuring the lines", None)
    surveyed = survey_lines(Path(path), tuple(pairs))
    return Lines(surveyed, line_gaps(surveyed, rule), rule)


def line_gaps(surveyed: LineSurvey, rule: float) -> tuple[Gap | None, ...]:
    """The largest gap along each line under a straightedge of ``rule`` [m]; None where none fits on its stations.

    Its uncertainty is the line's own budget: the random part of three stations, and the common part as a smooth warp.
    """
    kind = relief.capture_type(LINES_TYPE)
    found: list[Gap | None] = []
    for line, budget in surveyed.lines:
        if len(line.x) < 3:
            found.append(None)
            continue
        origin = Origin(line.name, "", LINE_READER, "m", len(line.x), kind=LINES_TYPE)
        stations = Readings(origin, line.x, line.y, line.height, max(budget.u_random, 1e-6))
        common = replace(kind.common_error(), sd=budget.u_common, source=note("jobs.line-budget"))
        _, made, _ = relief.from_stations(stations, common, kind.lean)
        laid = straightedge.sweep(made, rule) if _room(line.x, line.y, rule) else None
        found.append(None if laid is None else laid.worst)
    return tuple(found)


def _room(x: np.ndarray, y: np.ndarray, rule: float) -> bool:
    """Whether three stations can stand within the rule."""
    along = np.sort(np.hypot(x - x.min(), y - y.min()))
    return bool((along[2:] - along[:-2] <= rule + 1e-9).any())

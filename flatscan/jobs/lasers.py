"""With a laser: a straightedge along each photographed line, and where the next readings help most on a scan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from flatscan import straightedge
from flatscan.capture.lines.line_budget import LineSurvey, survey_lines
from flatscan.capture.lines.line_format import LINE_READER
from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array
from flatscan.core.model import Origin, Readings, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
from flatscan.jobs.results import Lines
from flatscan.jobs.seeing import see, tied
from flatscan.jobs.settings import LINES_TYPE, STATIONS_TYPE, Capturing, Progress, silent
from flatscan.relief import capture_type, from_stations
from flatscan.relief.planning import ReadingPlan, open_warps, plan_readings
from flatscan.relief.warps import Warps
from flatscan.straightedge.gaps import Gap


def lines(
    path: str | Path, rule: float, pairs: Sequence[tuple[Path, Path | None]] = (), progress: Progress = silent
) -> Lines:
    """The lines of a set-up file, or of ``pairs`` of pictures in place of its own, with a straightedge along each."""
    progress(note("stage.lines"), None)
    surveyed = survey_lines(Path(path), tuple(pairs))
    return Lines(surveyed, line_gaps(surveyed, rule), rule)


def line_gaps(surveyed: LineSurvey, rule: float) -> tuple[Gap | None, ...]:
    """The largest gap along each line under a straightedge of ``rule`` [m]; None where none fits on its stations.

    Its uncertainty is the line's own budget: the random part of three stations, and the common part as a smooth warp.
    """
    kind = capture_type(LINES_TYPE)
    found: list[Gap | None] = []
    for line, budget in surveyed.lines:
        if len(line.x) < 3:
            found.append(None)
            continue
        origin = Origin(line.name, "", LINE_READER, "m", len(line.x), kind=LINES_TYPE)
        stations = Readings(origin, line.x, line.y, line.height, max(budget.u_random, 1e-6))
        common = replace(kind.common_error(), sd=budget.u_common, source=note("jobs.line-budget"))
        _, read, _ = from_stations(stations, common, kind.lean)
        laid = straightedge.sweep(read, rule) if _room(line.x, line.y, rule) else None
        found.append(None if laid is None else laid.worst)
    return tuple(found)


def _room(x: np.ndarray, y: np.ndarray, rule: float) -> bool:
    """Whether three stations can stand within the rule."""
    along = np.sort(np.hypot(x - x.min(), y - y.min()))
    return bool((along[2:] - along[:-2] <= rule + 1e-9).any())


@dataclass(frozen=True, eq=False)
class PlannedReadings:
    """Plans for several numbers of further readings on one wall, and what must be said about the capture.

    ``done`` (k, 2) are places read already, ``warp`` [m] what the scan's warp is taken to put on the middle of 2 m, and
    ``lengths`` [m] those that are left open.
    """

    file: str
    wall: Wall
    rule: float
    reading_u: float
    warp: float
    lengths: tuple[float, float]
    done: Array
    plans: tuple[ReadingPlan, ...]
    notes: tuple[Note, ...]


def planned_readings(
    path: str | Path, how: Capturing, rule: float, counts: Sequence[int], progress: Progress = silent
) -> PlannedReadings:
    """Plans of so many further readings for the scan in a file; readings of ``how.tie`` count as done.

    Raises what reading and tying raise, and `BadValue` for a rule or counts that make no sense.
    """
    if not 0.1 <= rule < 100:
        raise BadValue(
            "{set:rule}",
            "{rule:span}",
            needed="a straightedge over {least:span}",
            remedy="Give for example 1.8m",
            rule=metres(rule),
            least=metres(0.1),
        )
    seen = see(path, replace(how, tie=None), progress)
    scan, done, notes = seen.relief, np.empty((0, 2)), seen.notes
    warps: Warps | None = None
    if how.tie is not None:
        before = tied(seen, how, progress)
        notes = before.notes
        if before.tie is not None:
            done = before.tie.places
            # what the readings showed of the warp, the next ones are planned against
            warps = before.tie.warps
    progress(note("stage.planning"), None)
    laser = capture_type(STATIONS_TYPE).common_error()
    warps = open_warps(scan) if warps is None else warps
    plans = plan_readings(scan, rule=rule, reading_u=how.reading_u, laser=laser, counts=counts, done=done, warps=warps)
    warp, lengths = warps.chord(), warps.lengths()
    return PlannedReadings(str(path), seen.wall, rule, how.reading_u, warp, lengths, done, plans, notes)

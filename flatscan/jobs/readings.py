"""Where on a scanned wall the next laser readings help most: from a capture file to a plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from flatscan import relief
from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array
from flatscan.core.model import Wall
from flatscan.core.notes import Note
from flatscan.core.quantity import metres
from flatscan.jobs.seeing import see, tied
from flatscan.jobs.settings import STATIONS_TYPE, Capturing, Progress, silent
from flatscan.relief.planning import ReadingPlan, plan_readings


@dataclass(frozen=True, eq=False)
class PlannedReadings:
    """Plans for several numbers of further readings on one wall, and what must be said about the capture.

    ``done`` (k, 2) are places read already, ``warp`` the size and length [m] of the scan's warp as taken.
    """

    file: str
    wall: Wall
    rule: float
    reading_u: float
    warp: tuple[float, float]
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
    if how.tie is not None:
        before = tied(seen, how, progress)
        notes = before.notes
        if before.tie is not None:
            done = before.tie.places
            # a warp that the readings showed to be larger than stated is planned against as it is
            scan = replace(scan, common=replace(scan.common, sd=before.tie.sd))
    progress("planning", None)
    laser = relief.capture_type(STATIONS_TYPE).common_error()
    plans = plan_readings(scan, rule=rule, reading_u=how.reading_u, laser=laser, counts=counts, done=done)
    warp = scan.common.sd, scan.common.length
    return PlannedReadings(str(path), seen.wall, rule, how.reading_u, warp, done, plans, notes)

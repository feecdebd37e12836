"""On the job: setting out before the coat, and the low spots after ruling it off."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

from flatscan.jobs.results import Lows, LowsByHand, Seen, SetOut
from flatscan.jobs.seeing import Capture, look, see, swept
from flatscan.jobs.settings import Capturing, Finishing, Progress, Requirement, silent
from flatscan.jobs.surveying import plan
from flatscan.plan.lows import LIMIT as LOW_LIMIT
from flatscan.plan.lows import find_lows, find_ridges, lows_from_readings, read_hand_readings
from flatscan.plan.screeds import SetOutOptions
from flatscan.plan.screeds import set_out as set_out_screeds


def set_out(
    source: Capture | Seen,
    how: Capturing,
    requirement: Requirement,
    finish: Finishing,
    options: SetOutOptions,
    progress: Progress = silent,
) -> SetOut:
    """Screeds, dots and packings of the finish plane that a survey of the same capture gives."""
    return set_out_seen(see(source, how, progress), requirement, finish, options, progress)


def set_out_seen(
    seen: Seen, requirement: Requirement, finish: Finishing, options: SetOutOptions, progress: Progress = silent
) -> SetOut:
    """`set_out` of a wall already seen."""
    looked = look(seen, requirement, progress)
    planned = plan(looked, finish, progress)
    progress("set-out", None)
    if looked.relief.laser is not None:
        options = replace(options, laser=looked.relief.laser)
    screeds = set_out_screeds(looked.relief, looked.wall, planned.build_up.plane, options=options)
    return looked.extended(SetOut, plan=planned, screeds=screeds)


def lows(
    source: Capture | Seen,
    how: Capturing,
    requirement: Requirement,
    limit: float = LOW_LIMIT,
    progress: Progress = silent,
) -> Lows:
    """After ruling off: where the wall is under the straightedge by more than ``limit`` [m], and its high ridges."""
    return lows_seen(see(source, how, progress), requirement, limit, progress)


def lows_seen(seen: Seen, requirement: Requirement, limit: float = LOW_LIMIT, progress: Progress = silent) -> Lows:
    """`lows` of a wall already seen."""
    looked = look(seen, requirement, progress)
    gaps = swept(looked, requirement, progress)
    found, ridges = find_lows(looked.relief, gaps.deepest, limit=limit), find_ridges(looked.relief, limit=limit)
    return looked.extended(Lows, gaps=gaps, lows=found, ridges=ridges, limit=limit)


def lows_by_hand(path: str | Path, limit: float = LOW_LIMIT) -> LowsByHand:
    """Lows out of a file of straightedge readings; raises `BadTable` for what it breaks and `ReadError` for no file."""
    readings, doubts = read_hand_readings(path)
    digest = hashlib.sha256(Path(path).read_bytes()).hexdigest()
    return LowsByHand(Path(path).name, digest, len(readings), limit, lows_from_readings(readings, limit=limit), doubts)

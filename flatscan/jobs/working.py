"""On the job: setting out before the coat, and the low spots after ruling it off."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path

from flatscan import verdict as verdicts
from flatscan.jobs.findings import Findings, Seen
from flatscan.jobs.looking import look, swept
from flatscan.jobs.quoting import plan
from flatscan.jobs.seeing import see
from flatscan.jobs.settings import Capturing, Finishing, Progress, Testing, silent
from flatscan.plan.lows import LIMIT as LOW_LIMIT
from flatscan.plan.lows import Low, find_lows, find_ridges, lows_from_readings, read_hand_readings
from flatscan.plan.screeds import SetOutOptions
from flatscan.plan.screeds import set_out as set_out_screeds


def set_out(
    path: str | Path,
    how: Capturing,
    test: Testing,
    finish: Finishing,
    options: SetOutOptions,
    progress: Progress = silent,
) -> Findings:
    """Screeds, dots and packings of the finish plane that a survey of the same capture gives."""
    return set_out_seen(see(path, how, progress), test, finish, options, progress)


def set_out_seen(
    seen: Seen, test: Testing, finish: Finishing, options: SetOutOptions, progress: Progress = silent
) -> Findings:
    """`set_out` of a wall already seen."""
    found = plan(look("setout", seen, test, progress), finish, progress)
    assert found.build_up is not None
    progress("set-out", None)
    if found.relief.laser is not None:
        options = replace(options, laser=found.relief.laser)
    made = set_out_screeds(found.relief, found.wall, found.build_up.plane, options=options)
    return replace(found, set_out=made)


def lows(
    path: str | Path, how: Capturing, test: Testing, limit: float = LOW_LIMIT, progress: Progress = silent
) -> Findings:
    """After ruling off: where the wall is under the straightedge by more than ``limit`` [m], and its high ridges."""
    return lows_seen(see(path, how, progress), test, limit, progress)


def lows_seen(seen: Seen, test: Testing, limit: float = LOW_LIMIT, progress: Progress = silent) -> Findings:
    """`lows` of a wall already seen."""
    found = look("lows", seen, test, progress)
    gaps = swept(found, test, verdicts.coverage_factor(test.confidence), progress)
    return replace(
        found, gaps=gaps, lows=find_lows(found.relief, gaps.deepest, limit=limit),
        ridges=find_ridges(found.relief, limit=limit),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class LowsByHand:
    """Lows out of straightedge readings that somebody wrote down, over ``limit`` [m]; no wall was captured."""

    file: str
    sha256: str
    readings: int
    limit: float
    lows: tuple[Low, ...]


def lows_by_hand(path: str | Path, limit: float = LOW_LIMIT) -> LowsByHand:
    """Lows out of a file of straightedge readings; raises `BadTable` for what it breaks and `ReadError` for no file."""
    readings = read_hand_readings(path)
    digest = hashlib.sha256(Path(path).read_bytes()).hexdigest()
    return LowsByHand(Path(path).name, digest, len(readings), limit, lows_from_readings(readings, limit=limit))

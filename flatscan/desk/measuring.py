"""What one wall's own process does: the stages of its job; what was measured is kept there, the rest recomputed."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from flatscan import evidence, jobs, report
from flatscan.core.errors import FlatscanError, ReadError
from flatscan.core.model import Cloud, Readings
from flatscan.desk import answering
from flatscan.desk.calling import called, names_apart
from flatscan.desk.folders import Job
from flatscan.jobs import Capturing, Comparing, Finishing, Progress, Requirement, Result, Seen
from flatscan.jobs.belonging import in_job
from flatscan.jobs.job_plan import JobPlan, PlanUsed
from flatscan.jobs.listing import Seeing
from flatscan.jobs.plan_file import NAME
from flatscan.jobs.ticking import ticked
from flatscan.plan.lows import LIMIT as LOW_LIMIT
from flatscan.plan.screeds import SetOutOptions
from flatscan.report.rechecked import recheck_text
from flatscan.wall import Room

# results of this many stages are kept: those of a few plans of one wall
_KEPT = 12
Key = tuple[Any, ...]


@dataclass(frozen=True, eq=False)
class Task:
    """One piece of work on a job: ``kind`` is a method of `Measuring`, ``more`` what it takes besides."""

    kind: str
    job: Job
    more: tuple[Any, ...] = ()


@dataclass(frozen=True, eq=False)
class _Read:
    """A capture as read, and the walls found in it."""

    taken: Cloud | Readings
    room: Room


class Measuring:
    """The stages of one wall's job, with what they found kept in memory."""

    def __init__(self) -> None:
        self._kept: OrderedDict[Key, Any] = OrderedDict()

    def do(self, task: Task, tell: Progress) -> Any:
        """What the task asks for; raises every error of its command."""
        work: dict[str, Callable[..., Any]] = {
            "room": self._room,
            "picture": self._picture,
            "found": self._found,
            "ticked": self._ticked,
            "sheets": self._sheets,
            "seal": self._seal,
            "recheck": self._recheck,
            "compared": self._compared,
        }
        return work[task.kind](task.job, tell, *task.more)

    def _room(self, job: Job, tell: Progress) -> Room:
        return self._read(job, answering.capturing(job), tell).room

    def _picture(self, job: Job, tell: Progress, name: str) -> bytes:
        """A wall as it is seen from the room, as a PNG; empty where there is none of that name, or only readings."""
        from flatscan.report.room_pictures import as_png, as_seen

        read = self._read(job, answering.capturing(job), tell)
        wall = next((one for one in read.room.walls if one.name == name), None)
        if wall is None or isinstance(read.taken, Readings):
            return b""
        taken = read.taken
        return as_png(as_seen(wall, Seeing(taken.sample, taken.sample_colours, taken.stands)))

    def _found(self, job: Job, tell: Progress, command: str) -> Result:
        plan = answering.plan_used(job, command)
        how, test, finish = answering.settings(job, command)
        seen: Seen = self._memo(("seen", *stamp(job), how), lambda: self._seen(job, how, tell))
        found = self._of(job, command, seen, test, finish, plan, tell)
        return in_job(found, PlanUsed(plan, NAME if job.text else ""))

    def _ticked(self, job: Job, _tell: Progress, found: Any, places: Any) -> Any:
        """The cuts that humps of a list stand for, as deep as all of them together need."""
        return tuple(ticked(found, answering.settings(job, found.command)[2], places))

    def _sheets(
        self, job: Job, tell: Progress, commands: tuple[str, ...], paper: str, formats: tuple[str, ...]
    ) -> tuple[str, ...]:
        """Write the sheets of commands, the first of which must be possible; gives those that were written."""
        made = []
        for command in commands:
            try:
                found = self._found(job, tell, command)
            except FlatscanError:
                # what the plan cannot be worked out by any more keeps its old sheets, marked as such
                if command == commands[0]:
                    raise
                continue
            units = job.settings["units"]
            report.write(found, job.results, overwrite=True, units=units, paper=paper, formats=formats, progress=tell)
            made.append(command)
        return tuple(made)

    def _seal(self, job: Job, tell: Progress, file: str, done: Any, statement: evidence.Statement) -> str:
        """Run and seal the jobs; gives the seal."""
        captures: list[str | Path] = [capture_of(job), *job.plan.same_wall]
        units = job.settings["units"]
        sealed = evidence.seal(
            job.results / file, captures, done, statement=statement, units=units, overwrite=True, progress=tell
        )
        return sealed.seal

    def _compared(
        self, job: Job, tell: Progress, earlier: Job, asked: Comparing, folder: Path, formats: tuple[str, ...]
    ) -> Result:
        """What changed since an earlier capture, and its sheets in the place of those of the last comparison."""
        hows = (answering.capturing(earlier), answering.capturing(job))
        finish = answering.settings(job, "survey")[2]
        captures = (_captures(earlier), _captures(job))
        change = called(jobs.compare_surveys(*captures, hows, asked, finish, tell), *names_apart(earlier, job))
        found = in_job(change, PlanUsed(job.plan, NAME if job.text else ""))
        units = job.settings["units"]
        report.write(found, folder, overwrite=True, alone=True, units=units, formats=formats, progress=tell)
        return found

    def _recheck(self, job: Job, tell: Progress, path: Path, seal: str | None) -> tuple[str, str]:
        """How a sealed file stands, and that in words; the file is not kept."""
        try:
            found = evidence.recheck(path, seal=seal, progress=tell)
        finally:
            path.unlink(missing_ok=True)
        return found.status, recheck_text(found, every=False, units=job.settings["units"])

    def _memo(self, key: Key, make: Callable[[], Any]) -> Any:
        if key not in self._kept:
            self._kept[key] = make()
        self._kept.move_to_end(key)
        while len(self._kept) > _KEPT:
            self._kept.popitem(last=False)
        return self._kept[key]

    def _read(self, job: Job, how: Capturing, tell: Progress) -> _Read:
        whole = whole_capture(how)

        def make() -> _Read:
            taken = jobs.read(_captures(job), whole, tell, colours=True)
            if isinstance(taken, Readings):
                return _Read(taken, Room((jobs.seen_in(taken, whole, tell).wall,)))
            return _Read(taken, jobs.find_room(taken, whole, tell))

        read: _Read = self._memo(("read", *stamp(job), whole), make)
        return read

    def _seen(self, job: Job, how: Capturing, tell: Progress) -> Seen:
        read = self._read(job, how, tell)
        room = None if isinstance(read.taken, Readings) else read.room
        # with what ties it down and what it is held against, which a wall of a relief alone knows nothing of
        return jobs.see(capture_of(job), how, tell, taken=read.taken, room=room)

    def _of(
        self,
        job: Job,
        command: str,
        seen: Seen,
        test: Requirement,
        finish: Finishing,
        plan: JobPlan,
        tell: Progress,
    ) -> Result:
        if command == "check":
            return jobs.check_seen(seen, test, tell)
        if command == "lows":
            return jobs.lows_seen(seen, test, plan.limit or LOW_LIMIT, tell, plan.shave)
        if command == "setout":
            return jobs.set_out_seen(seen, test, finish, SetOutOptions(rule=test.rule), tell)
        key = ("measured", *stamp(job), seen.how, test)
        done = self._memo(key, lambda: jobs.measured(seen, test, tell))
        return jobs.survey_seen(seen, test, finish, tell, done)


def whole_capture(how: Capturing) -> Capturing:
    """What finding the walls depends on: not which of them is chosen, nor what is done with it."""
    alone: Capturing = replace(how, wall=1, part="", no_opening=(), opening=(), as_wall=(), not_wall=(), region=None)
    return replace(alone, cell=None, pocket=(), skip=(), accept=())


def _captures(job: Job) -> Any:
    """The capture, or all of those that the plan says are one wall."""
    path = capture_of(job)
    return (str(path), *job.plan.same_wall) if job.plan.same_wall else path


def capture_of(job: Job) -> Path:
    """The job's capture; raises `ReadError` where there is none yet."""
    path = job.capture
    if path is None or not path.exists():
        raise ReadError(
            "this wall",
            "no scan and no readings yet",
            needed="one of the two",
            remedy="Go back to the first step and drop a scan, or type readings",
        )
    # the settings of a folder that came from somebody else may say anything
    inside = path.resolve().is_relative_to(job.folder.resolve())
    if not inside or not (path.is_file() or path.is_dir()):
        raise ReadError(
            "this wall",
            "its scan lies outside its folder, or is no plain file",
            needed="the scan in the wall's own folder",
            remedy="Drop the scan again",
        )
    return path


def _own_folder(job: Job, capture: Path) -> Iterator[Path]:
    return (job.folder / capture.relative_to(job.folder).parts[0]).rglob("*")


def stamp(job: Job) -> Key:
    """What tells one state of a job's files from another: their times and sizes, by the job's name."""
    plan = job.plan
    named = (plan.rates, plan.tie, *plan.repeat, *plan.same_wall)
    capture = capture_of(job)
    # of several files each counts: they lie in a folder of their own
    whole = [capture] if capture.parent == job.folder and capture.is_file() else sorted(_own_folder(job, capture))
    every = (*whole, *(Path(one) for one in named if one is not None))
    kept = [path.stat() if path.exists() else None for path in every]
    return job.name, tuple(None if one is None else (one.st_mtime_ns, one.st_size) for one in kept)

"""The work of the jobs, one at a time beside the pages: what is measured is kept in memory, the rest recomputed."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator, Sequence
from concurrent import futures
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from flatscan import jobs
from flatscan.core.errors import FlatscanError, Infeasible, ReadError
from flatscan.core.model import Cloud, Readings
from flatscan.core.notes import Note, note
from flatscan.desk import answering
from flatscan.desk.folders import Job
from flatscan.jobs import Capturing, Finishing, Requirement, Result, Seen, SetOut, Survey
from flatscan.jobs.belonging import in_job
from flatscan.jobs.job_plan import JobPlan, PlanUsed
from flatscan.jobs.plan_file import NAME
from flatscan.jobs.ticking import ticked
from flatscan.plan.cutting import Cut
from flatscan.plan.lows import LIMIT as LOW_LIMIT
from flatscan.plan.screeds import SetOutOptions
from flatscan.report.say import say
from flatscan.wall import Room

# results of this many steps are kept: about the steps of five walls
_KEPT = 24
Key = tuple[Any, ...]
Place = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Working:
    """Not done yet: what is being done, and how far it is, if that is known."""

    stage: Note
    share: float | None

    @property
    def words(self) -> str:
        """What is being done, for a page."""
        return say(self.stage)


@dataclass(frozen=True, eq=False)
class Read:
    """A capture as read, and the walls found in it."""

    taken: Cloud | Readings
    room: Room


@dataclass(frozen=True, eq=False)
class _Failed:
    """Work that could not be done, and why."""

    trouble: FlatscanError


class Bench:
    """Runs the stages of a job in one worker; a page that asks meets a result, an error, or `Working`."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="flatscan-desk")
        self._kept: OrderedDict[Key, Any] = OrderedDict()
        self._asked: dict[Key, Future[Any]] = {}
        self._told: dict[Key, Working] = {}
        self._lock = threading.RLock()

    def room(self, job: Job, wait: float = 0.3) -> Read | Working:
        """The walls of the job's capture; raises the errors of reading and finding."""
        how = _whole_capture(answering.capturing(job))
        return self._ask(("read", *_stamp(job), how), lambda tell: self._read(job, how, tell), wait)

    def result(self, job: Job, wait: float = 0.3) -> Result | Working:
        """What the job's purpose asks for; raises every error of its command."""
        command = answering.command_of(job)
        return self._ask(_key(job, command), lambda tell: self._found(job, command, tell), wait)

    def nearest(self, job: Job, wait: float = 0.3) -> Result | Working:
        """`result`, and for a plan that cannot be set out its survey: with the nearest that can, and what it costs."""
        try:
            return self.result(job, wait)
        except Infeasible:
            return self._ask(_key(job, "survey"), lambda tell: self._found(job, "survey", tell), wait)

    def made(self, job: Job, command: str) -> Result:
        """What a command of the job finds, worked out before this returns; raises every error of the command."""
        key = _key(job, command)
        return self.do(lambda: self._memo(key, lambda: self._found(job, command, jobs.silent)))

    def ticked(self, job: Job, found: Survey | SetOut, places: Sequence[Place]) -> tuple[Cut, ...]:
        """The cuts that humps of a list stand for, as deep as all of them together need."""
        finish = answering.settings(job, found.command)[2]
        return tuple(self.do(lambda: ticked(found, finish, places)))

    def do(self, work: Callable[[], Any]) -> Any:
        """Something else that takes its time, after what is waiting; raises what it raises."""
        return self._pool.submit(work).result()

    def close(self) -> None:
        """Take no more work."""
        self._pool.shutdown(wait=False, cancel_futures=True)

    def _ask(self, key: Key, make: Callable[[jobs.Progress], Any], wait: float) -> Any:
        with self._lock:
            future = self._asked.get(key)
            if future is None and key not in self._kept:
                self._told[key] = Working(note("stage.waiting"), None)
                future = self._asked[key] = self._pool.submit(self._run, key, make)
        if future is not None and not futures.wait([future], timeout=wait).done:
            return self._told.get(key, Working(note("stage.almost-done"), None))
        with self._lock:
            self._asked.pop(key, None)
            kept = self._kept.get(key)
            if kept is not None:
                self._kept.move_to_end(key)
        if isinstance(kept, _Failed):
            raise kept.trouble
        return kept if future is None else future.result()

    def _run(self, key: Key, make: Callable[[jobs.Progress], Any]) -> Any:
        def tell(stage: Note, share: float | None = None) -> None:
            self._told[key] = Working(stage, share)

        try:
            value = make(tell)
            self._keep(key, value)
            return value
        except FlatscanError as trouble:
            # the same settings on the same file fail in the same way: a page that asks again is told, not kept waiting
            self._keep(key, _Failed(trouble))
            raise
        finally:
            self._told.pop(key, None)

    def _keep(self, key: Key, value: Any) -> None:
        with self._lock:
            self._kept[key] = value
            self._kept.move_to_end(key)
            while len(self._kept) > _KEPT:
                self._kept.popitem(last=False)

    def _memo(self, key: Key, make: Callable[[], Any]) -> Any:
        with self._lock:
            kept = self._kept.get(key)
            if kept is not None and not isinstance(kept, _Failed):
                self._kept.move_to_end(key)
                return kept
        kept = make()
        self._keep(key, kept)
        return kept

    def _read(self, job: Job, how: Capturing, tell: jobs.Progress) -> Read:
        taken = jobs.read(_captures(job), how, tell)
        if isinstance(taken, Readings):
            return Read(taken, Room((jobs.seen_in(taken, how, tell).wall,)))
        return Read(taken, jobs.find_room(taken, how, tell))

    def _seen(self, job: Job, how: Capturing, tell: jobs.Progress) -> Seen:
        whole = _whole_capture(how)
        read: Read = self._memo(("read", *_stamp(job), whole), lambda: self._read(job, whole, tell))
        return jobs.seen_in(read.taken, how, tell, None if isinstance(read.taken, Readings) else read.room)

    def _found(self, job: Job, command: str, tell: jobs.Progress) -> Result:
        plan = answering.plan_used(job, command)
        how, test, finish = answering.settings(job, command)
        seen: Seen = self._memo(("seen", *_stamp(job), how), lambda: self._seen(job, how, tell))
        return in_job(self._of(job, command, seen, test, finish, plan, tell), PlanUsed(plan, NAME if job.text else ""))

    def _of(
        self,
        job: Job,
        command: str,
        seen: Seen,
        test: Requirement,
        finish: Finishing,
        plan: JobPlan,
        tell: jobs.Progress,
    ) -> Result:
        if command == "check":
            return jobs.check_seen(seen, test, tell)
        if command == "lows":
            return jobs.lows_seen(seen, test, plan.limit or LOW_LIMIT, tell, plan.shave)
        if command == "setout":
            return jobs.set_out_seen(seen, test, finish, SetOutOptions(rule=test.rule), tell)
        key = ("measured", *_stamp(job), seen.how, test)
        done = self._memo(key, lambda: jobs.measured(seen, test, tell))
        return jobs.survey_seen(seen, test, finish, tell, done)


def _whole_capture(how: Capturing) -> Capturing:
    """What finding the walls depends on: not which of them is chosen, nor what is done with it."""
    alone: Capturing = replace(how, wall=1, part="", no_opening=(), opening=(), as_wall=(), not_wall=(), region=None)
    return replace(alone, cell=None, pocket=(), skip=(), accept=())


def _captures(job: Job) -> Any:
    """The capture, or all of those that the plan says are one wall."""
    path = _capture(job)
    return (str(path), *job.plan.same_wall) if job.plan.same_wall else path


def _capture(job: Job) -> Path:
    path = job.capture
    if path is None or not path.exists():
        raise ReadError(
            "this wall",
            "no scan and no readings yet",
            needed="one of the two",
            remedy="Go back to the first step and drop a scan, or type readings",
        )
    return path


def _own_folder(job: Job, capture: Path) -> Iterator[Path]:
    return (job.folder / capture.relative_to(job.folder).parts[0]).rglob("*")


def _key(job: Job, command: str) -> Key:
    return ("found", *_stamp(job), command, answering.plan_used(job, command), bool(job.text))


def _stamp(job: Job) -> Key:
    """What tells one state of a job's files from another: their times and sizes, by the job's name."""
    plan = job.plan
    named = (plan.rates, plan.tie, *plan.repeat, *plan.same_wall)
    capture = _capture(job)
    # of several files each counts: they lie in a folder of their own
    whole = [capture] if capture.parent == job.folder and capture.is_file() else sorted(_own_folder(job, capture))
    kept = [path.stat() for path in (*whole, *(Path(one) for one in named if one is not None))]
    return job.name, tuple((one.st_mtime_ns, one.st_size) for one in kept)

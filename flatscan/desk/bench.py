"""The work of the jobs, one at a time beside the pages: what is measured is kept in memory, the rest recomputed."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from concurrent import futures
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from flatscan import jobs
from flatscan.core.errors import BadValue, FlatscanError, ReadError
from flatscan.core.model import Cloud, Readings
from flatscan.core.notes import Note, note
from flatscan.desk import answering
from flatscan.desk.asking import what_for
from flatscan.desk.folders import Job
from flatscan.jobs import Capturing, Planned, Result, Seen, SetOut, Survey
from flatscan.jobs.belonging import in_job
from flatscan.jobs.job_plan import PlanUsed
from flatscan.plan.other_planes import ChosenHumps
from flatscan.plan.takeoff import take_off
from flatscan.report.say import say
from flatscan.wall import Room

# results of this many steps are kept: about the steps of five walls
_KEPT = 24
Key = tuple[Any, ...]


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


@dataclass(frozen=True, eq=False)
class Cut:
    """The plan with the ticked humps cut, and what that saves [m3]."""

    plan: Planned
    saves: float


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
        return self._ask(("read", job.name, _stamp(job), how), lambda tell: self._read(job, how, tell), wait)

    def result(self, job: Job, wait: float = 0.3) -> Result | Working:
        """What the job's purpose asks for; raises every error of its command."""
        settings = (answering.capturing(job), answering.testing(job), answering.finishing(job))
        more = (answering.answer(job, "purpose"), answering.set_out_options(job), answering.low_limit(job))
        key = ("found", job.name, _stamp(job), settings, more)
        return self._ask(key, lambda tell: in_job(self._find(job, tell), PlanUsed(answering.plan_of(job))), wait)

    def cut(self, job: Job, places: list[tuple[float, float]]) -> Cut:
        """The plan with humps of the hacking list cut; raises `BadValue` where nothing was planned."""
        found = self.result(job, wait=60.0)
        if isinstance(found, Working) or not isinstance(found, (Survey, SetOut)):
            raise BadValue("hacking", "no plan to change", needed="a priced wall", remedy="Open the answers again")
        finish, plan = answering.finishing(job), found.plan
        built = plan.build_up
        key = ("humps", id(found))
        with self._lock:
            held = self._kept.get(key)
        # the result is kept beside what was made of it, so that an id never stands for another
        if held is None or held[0] is not found:
            turn = built.plane.turn if finish.parallel_to else finish.plane.turn
            plane = replace(finish.plane, turn=turn)
            held = (found, ChosenHumps(found.relief, found.wall, built, plane=plane, options=finish.hacking))
            self._keep(key, held)
        chosen = held[1].with_cut(places)
        system = finish.material
        order = replace(finish.order, strict=False)
        ordered = take_off(chosen.build_up, chosen.relief, system, options=order, stops=plan.take_off.stops)
        return Cut(replace(plan, build_up=chosen.build_up, take_off=ordered), chosen.saves)

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
        path = _capture(job)
        taken = jobs.read(path, how, tell)
        if isinstance(taken, Readings):
            return Read(taken, Room((jobs.seen_in(taken, how, tell).wall,)))
        return Read(taken, jobs.find_room(taken, how, tell))

    def _seen(self, job: Job, how: Capturing, tell: jobs.Progress) -> Seen:
        whole = _whole_capture(how)
        read: Read = self._memo(("read", job.name, _stamp(job), whole), lambda: self._read(job, whole, tell))
        return jobs.seen_in(read.taken, how, tell, None if isinstance(read.taken, Readings) else read.room)

    def _find(self, job: Job, tell: jobs.Progress) -> Result:
        how, test, finish = answering.capturing(job), answering.testing(job), answering.finishing(job)
        purpose = what_for(answering.answer(job, "purpose"))
        assert purpose is not None
        seen: Seen = self._memo(("seen", job.name, _stamp(job), how), lambda: self._seen(job, how, tell))
        if purpose.command == "check":
            return jobs.check_seen(seen, test, tell)
        if purpose.command == "lows":
            return jobs.lows_seen(seen, test, answering.low_limit(job), tell)
        if purpose.command == "setout":
            return jobs.set_out_seen(seen, test, finish, answering.set_out_options(job), tell)
        key = ("measured", job.name, _stamp(job), how, test)
        looked, gaps = self._memo(key, lambda: jobs.measured(seen, test, tell))
        return jobs.planned(looked, gaps, finish, tell)


def _whole_capture(how: Capturing) -> Capturing:
    """What finding the walls depends on: not which of them is chosen, nor what is done with it."""
    return replace(how, wall=1, part="", no_opening=(), opening=(), as_wall=(), not_wall=(), region=None, cell=None)


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


def _stamp(job: Job) -> tuple[int, int]:
    """What tells one state of a capture file from another: its time and size."""
    kept = _capture(job).stat()
    return kept.st_mtime_ns, kept.st_size

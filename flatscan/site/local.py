"""Tasks on this machine: one process per task, so that a crash, a hang or a full memory costs one wall only."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from typing import Any

from flatscan.site.job import Task
from flatscan.site.work import Outcome, do, failed, guarded

# one thread in each process: the walls themselves run side by side
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS", "FLATSCAN_THREADS")
_PRELOADED = [
    "flatscan.site.work", "flatscan.straightedge.hulls_kernel", "matplotlib.figure", "matplotlib.backends.backend_agg",
]  # fmt: skip
# a process with less room than this cannot even start
_LEAST_MEMORY = 1 << 30


@dataclass(frozen=True, slots=True)
class Limits:
    """What one process may take: ``memory`` [bytes] of its own and ``seconds``; None for no limit."""

    memory: int | None = None
    seconds: float | None = None


@dataclass(eq=False)
class _Worker:
    task: Task
    process: Any
    pipe: Connection
    deadline: float


class LocalPool:
    """Up to ``jobs`` processes at once; `next` gives the outcome of whichever is done first."""

    def __init__(self, jobs: int, limits: Limits = Limits(), work: Callable[[Task], Outcome] = do) -> None:
        self.jobs, self.limits, self.work = jobs, limits, work
        self.waiting: deque[Task] = deque()
        self.running: list[_Worker] = []
        self.context = _context()

    def submit(self, task: Task) -> None:
        """Queue a task."""
        self.waiting.append(task)

    def next(self) -> tuple[Task, Outcome]:
        """Wait for a task to end, however it ends; there must be one queued or running."""
        while True:
            while self.waiting and len(self.running) < self.jobs:
                self.running.append(self._start(self.waiting.popleft()))
            left = min(worker.deadline for worker in self.running) - time.monotonic()
            wait([worker.pipe for worker in self.running], timeout=min(max(left, 0.0), 3600.0))
            for worker in self.running:
                outcome = self._outcome(worker)
                if outcome is not None:
                    self.running.remove(worker)
                    return worker.task, outcome

    def close(self) -> None:
        """Stop all that is running and forget what is queued."""
        self.waiting.clear()
        for worker in self.running:
            worker.process.kill()
        for worker in self.running:
            worker.process.join()
            worker.pipe.close()
        self.running.clear()

    def _start(self, task: Task) -> _Worker:
        ours, theirs = self.context.Pipe(duplex=False)
        process = self.context.Process(target=_serve, args=(theirs, self.work, task, self.limits), daemon=True)
        kept = {name: os.environ.get(name) for name in _ONE_THREAD}
        os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
        try:
            process.start()
        finally:
            for name, value in kept.items():
                if value is None:
                    os.environ.pop(name)
                else:
                    os.environ[name] = value
        theirs.close()
        seconds = self.limits.seconds
        return _Worker(task, process, ours, time.monotonic() + seconds if seconds else float("inf"))

    def _outcome(self, worker: _Worker) -> Outcome | None:
        """What the worker sent, or what became of it; None while it is still at work."""
        file = worker.task.capture.path
        if worker.pipe.poll():
            try:
                outcome: Outcome = worker.pipe.recv()
            except (EOFError, OSError):
                worker.process.join()
                code = worker.process.exitcode
                how = f"was ended by signal {-code}" if code and code < 0 else f"ended with code {code}"
                words = f"{file}: the process that worked on it {how}, perhaps because the machine's memory was full"
                outcome = Outcome(
                    failed(worker.task, f"{words}. Run the same command again, with fewer --jobs.", again=True)
                )
        elif time.monotonic() >= worker.deadline:
            words = f"{file}: not done within {self.limits.seconds:g} s; needed: less work or more time"
            outcome = Outcome(
                failed(worker.task, f"{words}. Raise --time-limit, or choose a larger --cell.", again=True)
            )
        else:
            return None
        worker.process.kill()
        worker.process.join()
        worker.pipe.close()
        return outcome


def _context() -> Any:  # noqa: ANN401
    # a server that has everything imported forks a process in a millisecond; where there is none, each imports anew
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(_PRELOADED)
    return context


def _serve(pipe: Connection, work: Callable[[Task], Outcome], task: Task, limits: Limits) -> None:
    """The life of one process: do the task, send its outcome, end. Ends at once if the run that started it dies."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    # what libraries print belongs to nobody's standard output
    os.dup2(2, 1)
    _limit_memory(limits.memory)
    pipe.send(guarded(task, work))
    pipe.close()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _limit_memory(memory: int | None) -> None:
    if memory is None or sys.platform == "win32":
        return
    import resource

    # the data segment counts what a process writes to, not the files and libraries that it maps
    hard = resource.getrlimit(resource.RLIMIT_DATA)[1]
    soft = max(memory, _LEAST_MEMORY)
    resource.setrlimit(resource.RLIMIT_DATA, (soft if hard == resource.RLIM_INFINITY else min(soft, hard), hard))


def default_jobs() -> int:
    """Processes worth starting: the processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)

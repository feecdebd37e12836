"""Where tasks are worked on: processes of this machine, one a task, or other machines through a Dask scheduler.

A process a task, so that a crash, a hang or a full memory costs one wall only. Workers of a scheduler read captures by
the path given, so the folder must be one that all of them see; what they send back is written here. Whoever controls a
scheduler can run code on its workers and here: give only an address that you trust.
"""

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

from flatscan.core.errors import BadValue, FlatscanError
from flatscan.core.quantity import share
from flatscan.site.job import Task
from flatscan.site.work import Outcome, do, failed, guarded

# one thread in each process: the walls themselves run side by side
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS", "FLATSCAN_THREADS")
_PRELOADED = [
    "flatscan.site.work",
    "flatscan.straightedge.hulls_kernel",
    "matplotlib.figure",
    "matplotlib.backends.backend_agg",
]
# a process with less room than this cannot even start
_LEAST_MEMORY = 1 << 30
# a worker may run several tasks on threads of one process, but drawing figures is one thread's work
_TURN = threading.Lock()


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
        self.context = processes()

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
        if worker.pipe.poll():
            try:
                outcome: Outcome = worker.pipe.recv()
            except (EOFError, OSError):
                worker.process.join()
                outcome = Outcome(failed(worker.task, _ended(worker), again=True))
        elif time.monotonic() >= worker.deadline:
            outcome = Outcome(failed(worker.task, _late(worker, self.limits.seconds or 0.0), again=True))
        else:
            return None
        worker.process.kill()
        worker.process.join()
        worker.pipe.close()
        return outcome


def _ended(worker: _Worker) -> FlatscanError:
    """The process of a task was ended from outside, or ended itself."""
    code = worker.process.exitcode
    by_signal = bool(code) and code < 0
    return FlatscanError(
        worker.task.capture.path,
        "the process that worked on it "
        + ("was ended by signal {code}" if by_signal else "ended with code {code}")
        + ", perhaps because the machine's memory was full",
        needed="memory for every process",
        remedy="Run the same command again, with fewer {set:jobs}",
        code=-code if by_signal else str(code),
    )


def _late(worker: _Worker, seconds: float) -> FlatscanError:
    return FlatscanError(
        worker.task.capture.path,
        "not done within {seconds:number} s",
        needed="less work or more time",
        remedy="Raise {set:time_limit}, or choose a larger {set:cell}",
        seconds=share(seconds),
    )


def processes() -> Any:  # noqa: ANN401
    """The way in which this machine starts processes that have everything imported, and no thread of ours."""
    # a server that has everything imported forks a process in a millisecond; where there is none, each imports anew
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(_PRELOADED)
    return context


def _serve(pipe: Connection, work: Callable[[Task], Outcome], task: Task, limits: Limits) -> None:
    """The life of one process: do the task, send its outcome, end. Ends at once if the run that started it dies."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=end_with_parent, daemon=True).start()
    # what libraries print belongs to nobody's standard output
    os.dup2(2, 1)
    limit_memory(limits.memory)
    pipe.send(guarded(task, work))
    pipe.close()


def end_with_parent() -> None:
    """End this process at once when the one that started it dies."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def limit_memory(memory: int | None) -> None:
    """Let this process take so much memory [bytes] of its own and no more; None for no limit."""
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


def alone(task: Task, work: Callable[[Task], Outcome]) -> Outcome:
    """Do one task in a worker, one at a time."""
    with _TURN:
        return guarded(task, work)


class ClusterPool:
    """Tasks on the workers of a scheduler; a task whose worker dies is given to another one."""

    def __init__(self, address: str, work: Callable[[Task], Outcome] = do, patience: str = "20s") -> None:
        self.work = work
        try:
            from distributed import Client, as_completed
        except ImportError:
            raise BadValue(
                "{set:cluster}",
                "the package distributed is not installed",
                needed="the extra 'cluster'",
                remedy="Install it with: pip install 'flatscan[cluster]'",
            ) from None
        try:
            self.client = Client(address, timeout=patience, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as error:
            raise BadValue(
                "{set:cluster}",
                "no scheduler answers at {address} ({reason})",
                needed="the address of a running Dask scheduler, such as tcp://10.0.0.5:8786",
                remedy="Start one with: dask scheduler, and workers with: dask worker ADDRESS",
                address=address,
                reason=str(error) or "timed out",
            ) from error
        self.done = as_completed(loop=self.client.loop)
        self.tasks: dict[str, Task] = {}

    def submit(self, task: Task) -> None:
        """Send a task to the scheduler."""
        name = f"flatscan-{task.kind}-{task.key}"
        self.tasks[name] = task
        self.done.add(self.client.submit(alone, task, self.work, key=name, pure=False))

    def next(self) -> tuple[Task, Outcome]:
        """Wait for a task to end, however it ends."""
        future = next(self.done)
        task = self.tasks.pop(future.key)
        if future.status == "finished":
            outcome: Outcome = future.result()
        else:
            lost = FlatscanError(
                task.capture.path,
                "{status} on the cluster ({reason})",
                needed="a worker that finishes it",
                remedy="Run the same command again",
                status=future.status,
                reason=repr(future.exception()),
            )
            outcome = Outcome(failed(task, lost, again=True))
        future.release()
        return task, outcome

    def close(self) -> None:
        """Take back what is still queued and leave the cluster."""
        futures: list[Any] = list(self.done.futures)
        self.client.cancel(futures)
        self.client.close()

"""The same tasks on other machines, through a Dask distributed scheduler.

Workers read captures by the path given, so the folder must be one that all of them see; what they send back is written
here. Whoever controls a scheduler can run code on its workers and here: give only an address that you trust.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from flatscan.core.errors import BadValue
from flatscan.site.job import Task
from flatscan.site.work import Outcome, do, failed, guarded

# a worker may run several tasks on threads of one process, but drawing figures is one thread's work
_TURN = threading.Lock()


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
                "--cluster", "the package distributed is not installed", needed="the extra 'cluster'",
                remedy="Install it with: pip install 'flatscan[cluster]'",
            ) from None  # fmt: skip
        try:
            self.client = Client(address, timeout=patience, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as error:
            raise BadValue(
                "--cluster", f"no scheduler answers at {address} ({error or 'timed out'})",
                needed="the address of a running Dask scheduler, such as tcp://10.0.0.5:8786",
                remedy="Start one with: dask scheduler, and workers with: dask worker ADDRESS",
            ) from error  # fmt: skip
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
            words = f"{task.capture.path}: {future.status} on the cluster ({future.exception()!r})"
            outcome = Outcome(failed(task, f"{words}. Run the same command again.", again=True))
        future.release()
        return task, outcome

    def close(self) -> None:
        """Take back what is still queued and leave the cluster."""
        futures: list[Any] = list(self.done.futures)
        self.client.cancel(futures)
        self.client.close()

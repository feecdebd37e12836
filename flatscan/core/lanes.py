"""Chunks of a capture worked on side by side, always the same ones by the same worker."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor

from flatscan.core.geometry import Array


def in_lanes(chunks: Iterable[Array], work: Callable[[int, Array, int], None], lanes: int = 2) -> None:
    """Call ``work`` with lane, chunk (m, 3) and the number of its first point, for each chunk in turn.

    Every ``lanes``-th chunk goes to the same lane, one after the other, whatever the number of processors: a lane that
    adds up does so in the same order everywhere. An error of ``work`` or of reading a chunk is raised.
    """
    start, waiting = 0, list[Future[None]]()
    with ThreadPoolExecutor(lanes) as pool:
        for number, points in enumerate(chunks):
            if number >= lanes:
                waiting[number - lanes].result()
            waiting.append(pool.submit(work, number % lanes, points, start))
            start += len(points)
        for last in waiting[-lanes:]:
            last.result()

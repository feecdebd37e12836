"""Chunks worked on side by side: every chunk once, each lane in its own fixed order."""

import threading

import numpy as np
import pytest

from flatscan.core.kernels import in_lanes


def chunks(sizes):
    return (np.full((size, 3), number, float) for number, size in enumerate(sizes))


@pytest.mark.parametrize("lanes", [1, 2, 3])
def test_every_lane_takes_its_chunks_in_turn(lanes):
    sizes, seen = [4, 1, 7, 2, 5, 3, 6], [[] for _ in range(lanes)]
    in_lanes(
        chunks(sizes), lambda lane, points, start: seen[lane].append((int(points[0, 0]), len(points), start)), lanes
    )
    starts = [sum(sizes[:number]) for number in range(len(sizes))]
    for lane in range(lanes):
        assert seen[lane] == [(n, sizes[n], starts[n]) for n in range(lane, len(sizes), lanes)]


def test_lanes_work_side_by_side():
    # either waits for the other: one after the other they would never end
    meet = threading.Barrier(2, timeout=20)
    in_lanes(chunks([1, 1, 1, 1]), lambda *_: meet.wait(), 2)
    assert meet.n_waiting == 0


@pytest.mark.parametrize("bad", [0, 3, 6])
def test_an_error_of_the_work_is_raised(bad):
    def work(lane, points, start):
        if points[0, 0] == bad:
            raise ValueError(f"chunk {bad}")

    with pytest.raises(ValueError, match=f"chunk {bad}"):
        in_lanes(chunks([2] * 7), work)


def test_an_error_of_the_reading_is_raised():
    def read():
        yield np.zeros((2, 3))
        raise OSError("cut off")

    with pytest.raises(OSError, match="cut off"):
        in_lanes(read(), lambda *_: None)


def test_no_chunks_is_no_work():
    in_lanes(iter(()), lambda *_: pytest.fail("called"))

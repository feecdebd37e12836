"""A large capture is read in a process of its own while the program loads; what comes of it is the same."""

import os
import signal
import sys

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from flatscan import capture
from flatscan.capture import ahead
from flatscan.errors import BadValue, ReadError

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="only Linux forks safely: elsewhere nothing is begun")


@pytest.fixture
def path(write, make_wall, monkeypatch):
    monkeypatch.setattr(ahead, "LARGE_FILE", 1000)
    points = make_wall(3000)
    head = f"ply\nformat binary_little_endian 1.0\nelement vertex {len(points)}\n"
    head += "".join(f"property double {axis}\n" for axis in "xyz") + "end_header\n"
    yield write("wall.ply", head.encode() + points.astype("<f8").tobytes())
    for reading in ahead._begun.values():
        reading.process.kill()
        reading.process.join()
    ahead._begun.clear()


def same(one, other):
    assert one.origin == other.origin
    assert (one.count, one.independent_share) == (other.count, other.independent_share)
    assert_array_equal(one.sample, other.sample)
    assert_array_equal(np.concatenate(list(one.chunks())), np.concatenate(list(other.chunks())))


def test_what_was_begun_is_what_reading_gives(path):
    plain = capture.read(path, file_unit="m")
    capture.begin_reading(path, file_unit="m")
    (reading,) = ahead._begun.values()
    assert reading.process.pid != os.getpid()
    same(capture.read(path, file_unit="m"), plain)
    # handed over once; the next reading is its own
    assert not ahead._begun
    same(capture.read(path, file_unit="m"), plain)


def test_other_settings_are_read_anew(path):
    capture.begin_reading(path, file_unit="m")
    assert capture.read(path, file_unit="ft").origin.file_unit == "ft"
    assert len(ahead._begun) == 1


def test_its_error_is_raised_where_the_capture_is_asked_for(path):
    capture.begin_reading(path, max_points=10)
    with pytest.raises(BadValue, match="at most 10"):
        capture.read(path, max_points=10)
    path.write_bytes(path.read_bytes()[:-100])
    capture.begin_reading(path)
    with pytest.raises(ReadError, match="promises 3,000"):
        capture.read(path)


def test_a_process_that_was_killed_costs_time_and_nothing_else(path):
    plain = capture.read(path)
    capture.begin_reading(path)
    (reading,) = ahead._begun.values()
    os.kill(reading.process.pid, signal.SIGKILL)
    reading.process.join()
    same(capture.read(path), plain)


def test_no_process_to_be_had_is_no_error(path, monkeypatch):
    def refuse(process):
        raise BlockingIOError(11, "Resource temporarily unavailable")

    monkeypatch.setattr(ahead.multiprocessing.get_context("fork").Process, "start", refuse)
    capture.begin_reading(path)
    assert not ahead._begun
    assert capture.read(path).count == 3000


def test_small_files_and_names_that_are_none_are_left_alone(path, tmp_path, monkeypatch):
    monkeypatch.setattr(ahead, "LARGE_FILE", 10**9)
    for name in (path, tmp_path, tmp_path / "none.ply", "x" * 5000):
        capture.begin_reading(name)
    assert not ahead._begun

"""A large capture is read in a process of its own while the program loads; what comes of it is the same."""

import os
import signal
import subprocess
import sys
import threading

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from flatscan import capture
from flatscan.capture import ahead
from flatscan.core.errors import BadValue, ReadError

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="only Linux forks safely: elsewhere nothing is begun")


@pytest.fixture
def path(write, make_wall, monkeypatch):
    monkeypatch.setattr(ahead, "LARGE_FILE", 1000)
    # other tests have loaded these here; reading a PLY takes none of their threads
    monkeypatch.setattr(ahead, "THREADED", ())
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


def written(name, write, make, points, tmp_path):
    """The wall in a file of that kind; of the mesh kinds a sheet of triangles."""
    path, mesh = tmp_path / name, make.sheet()
    if name.endswith((".las", ".laz")):
        return make.las(path, points)
    if name.endswith(".e57"):
        return make.e57(path, [{"points": points}])
    text = "\n".join(" ".join(map(repr, row)) for row in points.tolist()) + "\n"
    return write(name, {
        "wall.xyz": lambda: text, "wall.pcd": lambda: make.pcd(points),
        "wall.ptx": lambda: make.ptx([(points, np.eye(3), np.zeros(3))]), "wall.obj": lambda: make.obj(*mesh),
        "wall.stl": lambda: make.stl(*mesh), "wall.glb": lambda: make.glb(*make.gltf(*mesh)),
        "wall.ply": lambda: make.ply_mesh(*mesh),
    }[name]())  # fmt: skip


def test_what_takes_much_memory_is_read_again_rather_than_held_twice(path, monkeypatch):
    plain = capture.read(path)
    monkeypatch.setattr(ahead, "MOST_MEMORY", 1)
    capture.begin_reading(path)
    (reading,) = ahead._begun.values()
    reading.process.join()
    with pytest.raises(EOFError):
        reading.arrives.recv()
    same(capture.read(path), plain)


HAND_OVER = """
import sys
import numpy as np
from flatscan import capture
from flatscan.capture import ahead

def twice():
    raise AssertionError("read twice")

ahead.LARGE_FILE = 1000
capture.begin_reading(sys.argv[1], file_unit="m")
(reading,) = ahead._begun.values()
handed = reading.result(twice)
ahead._begun.clear()
plain = capture.read(sys.argv[1], file_unit="m")
assert handed.origin == plain.origin
one, other = (np.concatenate(list(cloud.chunks())) for cloud in (handed, plain))
assert len(one) >= 1000 and (one == other).all() and (handed.sample == plain.sample).all()
"""


@pytest.mark.parametrize("kind", ["xyz", "pcd", "ptx", "las", "laz", "e57", "obj", "stl", "glb", "ply"])
def test_every_kind_of_reader_hands_over_what_it_read(kind, write, make, wall, tmp_path):
    """In a program of its own, as on the command line: a fork of one whose readers have threads already may hang."""
    path = written(f"wall.{kind}", write, make, wall, tmp_path)
    ran = subprocess.run(
        [sys.executable, "-c", HAND_OVER, str(path)], capture_output=True, text=True, timeout=120, check=False
    )
    assert (ran.returncode, ran.stderr) == (0, "")


def test_no_process_to_be_had_is_no_error(path, monkeypatch):
    def refuse(process):
        raise BlockingIOError(11, "Resource temporarily unavailable")

    monkeypatch.setattr(ahead.multiprocessing.get_context("fork").Process, "start", refuse)
    capture.begin_reading(path)
    assert not ahead._begun
    assert capture.read(path).count == 3000


def test_a_process_with_threads_of_its_own_is_not_forked(path, monkeypatch):
    monkeypatch.setattr(ahead, "THREADED", ("numpy",))
    capture.begin_reading(path)
    assert not ahead._begun
    monkeypatch.setattr(ahead, "THREADED", ())
    waiting = threading.Event()
    beside = threading.Thread(target=waiting.wait)
    beside.start()
    capture.begin_reading(path)
    waiting.set()
    beside.join()
    assert not ahead._begun


def test_small_files_and_names_that_are_none_are_left_alone(path, tmp_path, monkeypatch):
    monkeypatch.setattr(ahead, "LARGE_FILE", 10**9)
    for name in (path, tmp_path, tmp_path / "none.ply", "x" * 5000):
        capture.begin_reading(name)
    assert not ahead._begun

"""A thousand damaged files of every format: read, warned about or refused in words; never a traceback or a hang."""

import importlib.util
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from flatscan import capture
from flatscan.capture import mesh
from flatscan.core.errors import FlatscanError
from flatscan.report.say import say

CASES, LONGEST = 1000, 5.0


def load(name):
    """A module beside this one; the test folders are no packages."""
    spec = importlib.util.spec_from_file_location(f"capture_{name}", Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


damage = load("damage")


class Corpus(dict):
    """Whole files by name, told in a word where a case fails."""

    def __repr__(self):
        return f"{len(self)} whole files"


@pytest.fixture(scope="module")
def corpus(tmp_path_factory):
    pytest.importorskip("laspy")
    pytest.importorskip("pye57")
    make = SimpleNamespace(**vars(load("conftest")))
    return Corpus(damage.corpus(make, tmp_path_factory.mktemp("whole")))


@pytest.fixture(scope="module", autouse=True)
def fewer_points():
    before, mesh.POINTS = mesh.POINTS, 5_000
    yield
    mesh.POINTS = before


def outcome(path):
    """What came of reading all of a file: ``read``, or the class of the refusal."""
    try:
        got = capture.read(path)
        for _ in got.chunks() if hasattr(got, "chunks") else ():
            pass
    except FlatscanError as reason:
        told = reason
    else:
        return "read"
    assert str(path) in str(told)
    assert told.needed
    assert told.remedy
    return type(told).__name__


@pytest.mark.timeout(120)
@settings(
    max_examples=CASES,
    deadline=None,
    database=None,
    derandomize=True,
    phases=[Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(pick=st.integers(0, 10_000), seed=st.integers(0, 2**32))
def test_a_damaged_file_is_read_or_refused_in_words_and_soon(corpus, tmp_path, pick, seed):
    name = sorted(corpus)[pick % len(corpus)]
    path = tmp_path / f"case{Path(name).suffix}"
    path.write_bytes(damage.damaged(corpus[name], seed, pick))
    began = time.monotonic()
    outcome(path)
    # the clock runs for other programs too; what a hang takes is beyond ten times this
    assert time.monotonic() - began < LONGEST * 3


def test_every_whole_file_of_the_corpus_is_read(corpus, tmp_path):
    for name, data in corpus.items():
        path = tmp_path / name
        path.write_bytes(data)
        assert outcome(path) == "read", name


# formats that carry a count, a length or a checksum, so that any cut shows
COUNTED = (
    "little.ply",
    "big.ply",
    "mesh.ply",
    "binary.pcd",
    "packed.pcd",
    "a.stl",
    "text.stl",
    "a.glb",
    "a.las",
    "a.laz",
    "a.e57",
    "a.pts",
    "a.ptx",
    "text.ply",
    "text.pcd",
    "textmesh.ply",
)


@pytest.mark.parametrize("name", COUNTED)
def test_no_cut_of_a_counted_file_is_read_in_silence(corpus, tmp_path, name):
    data, path = corpus[name], tmp_path / name
    path.write_bytes(data)
    whole = capture.read(path).sample
    last = len(data) - 1
    for size in [*range(last, last - 16, -1), *range(last - 16, 0, -max(1, len(data) // 60))]:
        path.write_bytes(data[:size])
        if outcome(path) == "read":
            # a text may lose what bears no number, or digits beyond what the others have; anything else is said
            assert name in ("a.pts", "a.ptx", "text.ply", "text.pcd", "textmesh.ply", "text.stl")
            cut = capture.read(path)
            same = cut.sample.shape == whole.shape and bool(np.all(np.abs(cut.sample - whole) < 1e-9))
            assert same or any("may be cut off" in say(it) for it in cut.origin.warnings), size

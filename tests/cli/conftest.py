"""Running the command line in this process, and small captures to run it on."""

import json
from contextlib import redirect_stderr, redirect_stdout
from functools import cache
from io import StringIO
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from flatscan.cli import run

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_clouds"


class Ran(NamedTuple):
    code: int
    out: str
    err: str

    @property
    def document(self):
        return json.loads(self.out)


@pytest.fixture
def flatscan(capsys, tmp_path, monkeypatch):
    """Run a command line in an empty folder; gives exit code, stdout and stderr."""
    monkeypatch.chdir(tmp_path)

    def call(*args):
        capsys.readouterr()
        code = run([str(arg) for arg in args])
        out, err = capsys.readouterr()
        return Ran(code, out, err)

    return call


@pytest.fixture(scope="session")
def once():
    """Run a command that only reads the samples; one process runs it once for all tests that look at its answer."""

    @cache
    def call(*args):
        with redirect_stdout(StringIO()) as out, redirect_stderr(StringIO()) as err:
            code = run([str(arg) for arg in args])
        return Ran(code, out.getvalue(), err.getvalue())

    return call


@pytest.fixture(scope="session")
def truth():
    return json.loads((SAMPLES / "truth.json").read_text())


@pytest.fixture
def write_ply():
    def write(path, points, count=None, kind="float"):
        header = f"ply\nformat binary_little_endian 1.0\nelement vertex {count or len(points)}\n"
        header += "".join(f"property {kind} {axis}\n" for axis in "xyz") + "end_header\n"
        dtype = {"float": "<f4", "double": "<f8"}[kind]
        path.write_bytes(header.encode() + np.asarray(points).astype(dtype).tobytes())
        return path

    return write


@pytest.fixture
def plain_wall():
    """A 2.4 x 2 m wall before the origin, z up, turned so that no other axis lies in it; ``surface`` gives its z."""

    def build(surface=lambda x, y: 0 * x, n=60_000, noise=0.0005, seed=3, scale=1.0):
        rng = np.random.default_rng(seed)
        x, y = rng.uniform(0, 2.4, n), rng.uniform(0, 2.0, n)
        z = surface(x, y) + rng.normal(0, noise, n)
        c, s = np.cos(0.4), np.sin(0.4)
        along, out = np.array([c, s, 0]), np.array([s, -c, 0])
        points = np.outer(x - 1.2, along) + np.outer(z - 2.0, out) + np.outer(y - 1.0, [0, 0, 1])
        return points * scale

    return build

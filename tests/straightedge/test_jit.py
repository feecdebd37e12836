"""Compiled kernels keep their cache in a folder that can be written to, or do without."""

import os
import subprocess
import sys

import pytest

CODE = """
import os
from flatscan.relief.cell_sums_kernel import half_of
print(half_of(0), half_of(1), os.environ.get("NUMBA_CACHE_DIR"))
"""


def ran(**environment):
    clean = {name: value for name, value in os.environ.items() if name not in ("NUMBA_CACHE_DIR", "XDG_CACHE_HOME")}
    return subprocess.run(
        [sys.executable, "-c", CODE], env=clean | environment, capture_output=True, text=True, check=True, timeout=300
    ).stdout


def test_cache_lies_in_the_users_cache_folder(tmp_path):
    out = ran(XDG_CACHE_HOME=str(tmp_path))
    # the first bit of 0 and of the golden ratio's share of 2^64
    assert out.startswith("0 1 ")
    assert str(tmp_path / "flatscan") in out
    assert any(tmp_path.rglob("*.nbi"))


def test_no_place_for_a_cache_still_runs(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("")
    assert ran(NUMBA_CACHE_DIR=str(blocked / "under")).startswith("0 1 ")


@pytest.mark.parametrize("module", ["flatscan.straightedge", "flatscan.verdict", "flatscan.standards"])
def test_import_does_not_load_numba(module):
    code = f"import sys, {module}; print('numba' in sys.modules)"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=120).stdout
    assert out.strip() == "False"

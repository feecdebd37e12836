"""The compiled kernels can be loaded ahead, with the very signature the work then uses."""

import importlib
from pathlib import Path

import numpy as np
import pytest

import flatscan

NAMES = {"wall.occupancy_kernel", "relief.cell_sums_kernel", "straightedge.hulls_kernel"}


def test_these_are_all_that_can_be_loaded_ahead():
    with_load = {
        f"{path.parent.name}.{path.stem}"
        for path in Path(flatscan.__file__).parent.glob("*/*kernel.py")
        if "def load()" in path.read_text()
    }
    assert with_load == NAMES


@pytest.mark.parametrize(
    ("name", "entry"), [*zip(sorted(NAMES), ("add_near", "sweep_lines", "count_over"), strict=True)]
)
def test_loading_ahead_compiles_what_a_survey_uses(name, entry, tmp_path):
    from flatscan import jobs

    kernel = importlib.import_module(f"flatscan.{name}")
    kernel.load()
    before = set(getattr(kernel, entry).signatures)
    random = np.random.default_rng(3)
    points = np.stack([random.uniform(0, 2, 40_000), random.normal(0, 0.001, 40_000), random.uniform(0, 2, 40_000)], 1)
    np.savetxt(tmp_path / "wall.xyz", points, fmt="%.5f")
    how = jobs.Capturing(file_unit="m", up="z", capture_type="scanner", seen_from=(1.0, -3.0, 1.0))
    jobs.check(tmp_path / "wall.xyz", how, jobs.Requirement.by(limit=0.003))
    assert set(getattr(kernel, entry).signatures) == before

"""The bundled samples are what their script makes, and small enough to bundle."""

from pathlib import Path

import pytest
from make_samples import main

SAMPLES = Path(__file__).parents[1] / "sample_clouds"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("samples")
    main(folder)
    return folder


@pytest.mark.parametrize("name", ["wall.ply", "laser_grid.csv", "truth.json"])
def test_the_script_makes_the_same_bytes(made, name):
    assert (made / name).read_bytes() == (SAMPLES / name).read_bytes()


def test_all_samples_together_hold_at_most_three_megabytes():
    assert sum(path.stat().st_size for path in SAMPLES.rglob("*") if path.is_file()) <= 3_000_000


def test_every_file_is_named_in_the_readme():
    text = (SAMPLES / "README.md").read_text()
    for path in SAMPLES.iterdir():
        assert path.name in text or path.name == "README.md", path.name

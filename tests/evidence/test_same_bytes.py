"""The same capture gives the same result wherever it lies, and however often it is read."""

import shutil
from pathlib import Path

import pytest

from flatscan import capture, jobs, report

SAMPLES = Path(__file__).parents[2] / "sample_clouds"


@pytest.mark.parametrize("name", ["wall.ply", "laser_grid.csv"])
def test_origin_is_the_file_name_alone(name, tmp_path):
    copy = shutil.copy(SAMPLES / name, tmp_path / name)
    assert capture.read(copy).origin.file == name
    assert capture.read(copy).origin == capture.read(SAMPLES / name).origin


def texts(job, *paths):
    return {report.text(report.document(job(path))) for path in paths}


def test_result_document_has_the_same_bytes_from_another_folder(tmp_path):
    test, grid, wall = jobs.Requirement.by(limit=0.003), SAMPLES / "laser_grid.csv", SAMPLES / "wall.ply"
    how = jobs.Capturing(capture_type="scanner", cell=0.05)
    copies = [shutil.copy(path, tmp_path) for path in (grid, wall)]
    made = texts(lambda p: jobs.survey(p, jobs.Capturing(), test, jobs.Finishing()), grid, copies[0], copies[0])
    assert len(made) == 1
    assert len(texts(lambda p: jobs.check(p, how, test), wall, copies[1])) == 1

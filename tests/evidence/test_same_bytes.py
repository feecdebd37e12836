"""The same capture gives the same result wherever it lies, and however often it is read."""

import shutil
from pathlib import Path

import pytest

from flatscan import capture, sheets
from flatscan.survey import Capturing, Finishing, Testing, check, survey

SAMPLES = Path(__file__).parents[2] / "sample_clouds"


@pytest.mark.parametrize("name", ["wall.ply", "laser_grid.csv"])
def test_origin_is_the_file_name_alone(name, tmp_path):
    copy = shutil.copy(SAMPLES / name, tmp_path / name)
    assert capture.read(copy).origin.file == name
    assert capture.read(copy).origin == capture.read(SAMPLES / name).origin


def test_result_document_has_the_same_bytes_from_another_folder(tmp_path):
    copy = shutil.copy(SAMPLES / "laser_grid.csv", tmp_path)
    texts = {
        sheets.text(sheets.document(job(path)))
        for path in (SAMPLES / "laser_grid.csv", copy, copy)
        for job in [lambda p: survey(p, Capturing(), Testing(), Finishing())]
    }
    assert len(texts) == 1
    scan = shutil.copy(SAMPLES / "wall.ply", tmp_path)
    how = Capturing(capture_type="scanner", cell=0.05)
    texts = {
        sheets.text(sheets.document(check(path, how, Testing.by(limit=0.003)))) for path in (SAMPLES / "wall.ply", scan)
    }
    assert len(texts) == 1

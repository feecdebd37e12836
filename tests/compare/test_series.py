"""A wall surveyed many times: steps, spots that keep their number, shrinkage within the ±."""

import json

import numpy as np
import pytest
from two_scans import plastered, raw, scan

from flatscan.cli import run


def dipped(*dips):
    def surface(x, y):
        z = plastered(x, y)
        for at_x, at_y, deep in dips:
            z = z - deep * np.exp(-((x - at_x) ** 2 + (y - at_y) ** 2) / (2 * 0.12**2))
        return z

    return surface


@pytest.fixture
def days(tmp_path):
    folder = tmp_path / "days"
    folder.mkdir()
    scan(folder / "day1.ply", raw, seed=1)
    scan(folder / "day2.ply", dipped((0.6, 1.4, 0.006), (1.8, 0.6, 0.0045)), seed=2)
    scan(folder / "day3.ply", dipped((1.8, 0.6, 0.0045)), seed=3)
    scan(folder / "day4.ply", lambda x, y: dipped((1.8, 0.6, 0.0045))(x, y) - 0.0003, seed=4)
    (folder / "notes.txt").write_text("rain on day 3")
    return folder


@pytest.fixture
def series(days, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    code = run(
        [
            "compare",
            str(days),
            "--same-frame",
            "--align-u",
            "0.1mm",
            "--capture-type",
            "scanner",
            "--json",
            "--limit",
            "2mm",
            "--out",
            "out",
        ]
    )
    return code, json.loads(capsys.readouterr().out)["series"]


def test_series_of_a_folder(series, tmp_path):
    code, made = series
    assert code == 0
    assert made["surveys"] == ["day1.ply", "day2.ply", "day3.ply", "day4.ply"]
    assert made["left_out"] == ["notes.txt"]
    assert [step["done"] for step in made["steps"]][0] == "added"
    filled, left = (
        min(made["spots"], key=lambda s: np.hypot(s["x_mm"] - x, s["y_mm"] - y)) for x, y in ((600, 1400), (1800, 600))
    )
    assert filled["state"] == "closed"
    assert left["state"] == "open"
    assert filled["depths_mm"] == [None, pytest.approx(6.0, abs=0.6), None, None]
    # on the bare wall it lies in a hollow; then it is as deep as it was dug under the rule, on every later day
    assert left["depths_mm"][1:] == pytest.approx([4.5, 4.5, 4.5], abs=0.6)
    # a third of a millimetre off everywhere is under 2 x sqrt(2) x 0.4 mm: within the ±
    last = made["steps"][-1]
    assert last["compare"]["mean_mm"] == pytest.approx(-0.3, abs=0.15)
    assert last["shrunk"] is False
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        ".flatscan.json",
        "compare-series.json",
        "compare-spots.csv",
    ]
    rows = (tmp_path / "out" / "compare-spots.csv").read_text().splitlines()
    assert rows[0].startswith("number,state,x_mm,y_mm,day1.ply depth_mm")
    assert len(rows) == 1 + len(made["spots"])


def test_a_folder_of_less_than_two_surveys(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "empty").mkdir()
    assert run(["compare", str(tmp_path / "empty")]) == 1
    assert "0 captures" in capsys.readouterr().err
    assert run(["compare", "one.ply"]) == 2

"""The commands for readings and photos as their user runs them: words, JSON, files, exit codes."""

import json
from pathlib import Path

import numpy as np
import pytest

from flatscan.cli import run

SAMPLES = Path(__file__).parents[2] / "sample_clouds"
WALL = str(SAMPLES / "wall.ply")
HOW = ("--capture-type", "phone-walk", "--warp", "8mm,2m", "--seen-from", "1.2,-2,1.2")


def said(capsys, *args):
    code = run([str(arg) for arg in args])
    out = capsys.readouterr()
    return code, out.out, out.err


@pytest.fixture(scope="module")
def form(tmp_path_factory):
    path = tmp_path_factory.mktemp("plan") / "ties.csv"
    assert run(["plan-readings", WALL, *HOW, "--rule", "1.8m", "--readings", "6", "--form", str(path), "--quiet"]) == 0
    return path


def test_plan_is_a_document_with_places_on_the_wall(capsys):
    code, out, _ = said(capsys, "plan-readings", WALL, *HOW, "--limit", "5mm", "--readings", "4", "--json", "--quiet")
    made = json.loads(out)
    assert code == 0
    assert [plan["readings"] for plan in made["plans"]] == [0, 4]
    assert made["plans"][1]["u_gap_mm"] < made["plans"][0]["u_gap_mm"]
    assert all(0 < place["x_mm"] < 2400 and 0 < place["y_mm"] < 2500 for place in made["plans"][1]["places"])
    assert made["cautions"]


def test_form_filled_in_ties_the_scan(form, tmp_path, capsys):
    head, rows = form.read_text().split("x, y, reading\n")
    assert "Never look into the beam" in head.splitlines()[0]
    filled = [f"{row.strip()} {115 + i % 3}" for i, row in enumerate(rows.strip().splitlines())]
    assert len(filled) == 6
    (tmp_path / "ties.csv").write_text(head + "x, y, reading\n" + "\n".join(filled) + "\n")
    asked = ("check", WALL, *HOW, "--limit", "5mm", "--tie", tmp_path / "ties.csv", "--json", "--quiet")
    code, out, _ = said(capsys, *asked)
    made = json.loads(out)
    assert code in (0, 3, 4)
    assert made["plumb"]["known_from"] == "laser readings (6)"
    # the readings' own, and what fitting the slope adds
    assert 0.17 <= made["plumb"]["u_lean_mm_per_m"] < 1.0
    assert made["capture"]["tie"]["readings"] == 6
    assert len(made["capture"]["tie"]["left_out"]) == 6
    assert any("6 laser readings tie the scan down" in words for words in made["capture"]["warnings"])


def test_a_form_is_not_replaced_unasked(form, capsys):
    code, _, err = said(capsys, "plan-readings", WALL, *HOW, "--readings", "1", "--form", form, "--quiet")
    assert code == 1
    assert "exists already" in err


def test_tied_gaps_are_surer_than_untied_ones(capsys):
    asked = ("check", WALL, *HOW, "--limit", "5mm", "--cell", "50mm", "--json", "--quiet")
    loose, tied = (
        json.loads(said(capsys, *asked, *more)[1])["flatness"] for more in ((), ("--tie", SAMPLES / "laser_grid.csv"))
    )
    assert tied["u_gap_mm"] < 0.6 * loose["u_gap_mm"]
    # the bound on all places is a little wider where the error is not alike everywhere
    assert tied["upper_mm"] - tied["gap_mm"] < 0.7 * (loose["upper_mm"] - loose["gap_mm"])


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (("check", WALL, "--limit", "5mm", "--tie", "nowhere.csv"), 1, "no such file"),
        (("check", WALL, "--limit", "5mm", "--tie", WALL), 1, "holds points"),
        (("check", SAMPLES / "laser_grid.csv", "--limit", "5mm", "--tie", SAMPLES / "laser_grid.csv"), 1, "--tie"),
        (("check", WALL, "--limit", "5mm", "--warp", "8mm"), 2, "2 parts|1 parts"),
        (("check", WALL, "--limit", "5mm", "--warp", "8mm,0m"), 1, "--warp"),
        (("plan-readings", WALL, "--readings", "six"), 2, "list of numbers"),
        (("plan-readings", WALL, "--readings", "600"), 1, "0 to 60 readings"),
        (("plan-readings", SAMPLES / "laser_grid.csv"), 1, "not a scan"),
        (("line", WALL), 1, "is not text"),
        (("line", "a.jpg", "b.jpg"), 2, "--setup"),
        (("line", "a.jpg", "b.jpg", "c.jpg", "--setup", "s.toml"), 2, "pairs"),
        (("line", "nowhere.toml"), 1, "no such file"),
        (("calibrate", "nowhere.jpg", "--board", "9x7", "--square", "25mm"), 1, "no such picture"),
        (("calibrate", "nowhere.jpg", "--board", "many", "--square", "25mm"), 2, "squares across and down"),
        (("targets",), 2, "--size"),
        (("targets", "--size", "2m"), 1, "with white around it"),
    ],
)
def test_bad_input_ends_in_one_message_and_its_code(capsys, tmp_path, monkeypatch, args, code, words):
    monkeypatch.chdir(tmp_path)
    import re

    got, out, err = said(capsys, *args)
    assert got == code
    assert re.search(words, err)
    assert "Traceback" not in err
    assert not out
    assert not list(tmp_path.iterdir())


def test_targets_are_written_once_and_whole(capsys, tmp_path):
    path = tmp_path / "t.pdf"
    assert said(capsys, "targets", "--size", "120mm", "--count", "2", "--out", path)[0] == 0
    content = path.read_bytes()
    assert content.startswith(b"%PDF")
    assert said(capsys, "targets", "--size", "120mm", "--count", "2", "--out", path)[0] == 1
    assert said(capsys, "targets", "--size", "120mm", "--count", "2", "--out", path, "--overwrite")[0] == 0
    assert path.read_bytes() == content


def test_a_depth_photo_goes_all_the_way(capsys, tmp_path):
    import cv2

    generator = np.random.default_rng(1)
    x, y = np.meshgrid((np.arange(320) - 160) * 1.6 / 260, (np.arange(240) - 120) * 1.6 / 260)
    depth = 1.6 - 0.012 * np.exp(-(x**2 + y**2) / (2 * 0.15**2)) + generator.normal(0, 0.001, x.shape)
    cv2.imwrite(str(tmp_path / "wall.png"), np.rint(depth * 10_000).astype(np.uint16))
    matrix = [260, 0, 0, 0, 260, 0, 160, 120, 1]
    camera = {"width": 320, "height": 240, "intrinsic_matrix": matrix, "depth_scale": 10_000}
    (tmp_path / "wall.json").write_text(json.dumps(camera))
    asked = ("check", tmp_path / "wall.png", "--rule", "0.8m", "--limit", "5mm", "--json", "--quiet")
    code, out, _ = said(capsys, *asked)
    made = json.loads(out)
    assert code in (3, 4)
    assert made["capture"]["type"] == "depth-photo"
    assert made["capture"]["reader"] == "depth photo"
    assert made["patches"][0]["kind"] == "hump"
    assert made["patches"][0]["deviation_mm"] == pytest.approx(11, abs=2.5)
    assert made["plumb"]["u_lean_mm_per_m"] == pytest.approx(50, rel=0.1)

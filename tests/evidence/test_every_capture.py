"""Whatever can be captured can be sealed, carried to another folder, and made again there without what it came from."""

import json
import shutil
import sys
import zipfile
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from every_capture import BEFORE_IT, EVERY, files, points
from PIL import Image

from flatscan import capture
from flatscan.capture.pictures import PICTURE
from flatscan.cli import run
from flatscan.evidence import Job, recheck, seal
from flatscan.evidence.contents import from_plain, to_plain
from flatscan.evidence.seal import Gathering
from flatscan.jobs import Capturing, Finishing, Requirement, silent
from flatscan.report.rechecked import recheck_text

GRID = Path(__file__).parents[2] / "sample_clouds" / "laser_grid.csv"
# few directions, so that it is quick
TEST = Requirement.by(rule=1.0, limit=0.003, directions=(0.0, 90.0))
RATES = "\n".join(
    ['currency = "crowns"', 'basis = "area"', "day = 200", "m2 = 10", "allowance_mm = 13", "extra_mm_m2 = 0.5"]
    + ["hack = 15", "bag = 8", "call_out = 40", ""]
)


def carried(tmp_path, build, how):
    """What a recheck finds of a file sealed in one folder, after that folder is gone."""
    site, office = tmp_path / "site", tmp_path / "office"
    site.mkdir()
    office.mkdir()
    captures = [build(site)]
    made = seal(site / "e.zip", captures, [Job("check", (0,), capturing=how, testing=TEST)])
    path = shutil.move(made.path, office / "given.zip")
    shutil.rmtree(site)
    return recheck(path), path


def test_every_kind_there_is_a_reader_for_is_tried():
    # a picture without depth is no capture: its reader says so
    assert {form.name for form in capture.formats()} - {PICTURE.name} == set(EVERY) - {"depth frames"}


@pytest.mark.parametrize("kind", EVERY)
def test_it_is_the_same_in_another_folder(tmp_path, kind):
    build, how = EVERY[kind]
    found, path = carried(tmp_path, build, how)
    assert found.status == "same", recheck_text(found)
    held = json.loads(zipfile.ZipFile(path).read("manifest.json"))["captures"][0]
    several = {"glTF": 2, "depth photo": 3, "laser line photos": 6, "swept laser lines": 3, "depth frames": 8}
    assert several.get(kind, 1) == len(held["files"])


@pytest.mark.parametrize("kind", EVERY)
def test_what_is_said_to_belong_to_it_is_all_that_reading_opens(tmp_path, kind, opened):
    build, how = EVERY[kind]
    path = build(tmp_path)
    told = {one.resolve() for one in capture.files_of(path)}
    with opened(tmp_path) as names:
        capture.read(path, file_unit=how.file_unit)
    # libraries in C open files unseen
    assert {name for name in names if name.is_file()} <= told
    assert names or kind == "E57"


@pytest.fixture
def opened():
    """Files below a folder that are opened meanwhile, by Python's own account (PEP 578)."""
    watching = []

    def hook(event, args):
        if watching and event == "open" and isinstance(args[0], str):
            watching[-1].append(args[0])

    sys.addaudithook(hook)

    @contextmanager
    def watch(folder):
        names = set()
        watching.append([])
        try:
            yield names
        finally:
            inside = (Path(name).resolve() for name in watching.pop())
            names |= {name for name in inside if name.is_relative_to(folder.resolve())}

    return watch


def test_ties_repeats_rates_and_readings_by_hand_travel_along(tmp_path):
    site = tmp_path / "site"
    site.mkdir()
    scan = site / "wall.ply"
    scan.write_bytes(files.ply_bytes(points(), code="f8"))
    (site / "again.ply").write_bytes(files.ply_bytes(points(2, 0.001), code="f8"))
    rows = "".join(f"{y}, 80, 80, 80\n" for y in (1.5, 0.8, 0.1))
    (site / "tie.csv").write_text(
        "units, mm\nsense, big = hollow\nwidth, 2 m\nheight, 1.6 m\n\n, 0.1, 1.0, 1.9\n" + rows
    )
    (site / "hand.csv").write_text("x_m,y_m,direction,gap_mm\n1,0.8,0,1.0\n")
    (site / "clash.csv").write_text("name,x_m,y_m,depth_mm,proud_mm\nsocket box,0.5,0.5,12,\n")
    (site / "rates.toml").write_text(RATES)
    how = replace(BEFORE_IT, tie=str(site / "tie.csv"))
    twice = replace(BEFORE_IT, repeat=(str(site / "again.ply"),))
    priced = Finishing(rates=str(site / "rates.toml"), clash=str(site / "clash.csv"))
    jobs = [
        Job("check", (0,), capturing=how, testing=TEST),
        Job("check", (0,), capturing=twice, testing=replace(TEST, hand=str(site / "hand.csv"))),
        Job("survey", (1,), finishing=priced),
    ]
    made = seal(site / "e.zip", [scan, EVERY["laser grid"][0](site)], jobs)
    path = shutil.move(made.path, tmp_path / "given.zip")
    shutil.rmtree(site)
    found = recheck(path)
    assert found.status == "same", recheck_text(found)
    names = zipfile.ZipFile(path).namelist()
    inputs = [name.rpartition("/")[2] for name in names if name.startswith("inputs/")]
    assert inputs == ["tie.csv", "again.ply", "hand.csv", "rates.toml", "clash.csv"]


@pytest.mark.parametrize("kind", ["depth photo", "depth frames"])
def test_a_repeat_brings_all_that_it_needs(tmp_path, kind):
    again = EVERY[kind][0](tmp_path)
    (tmp_path / "sealed").mkdir()
    gathering = Gathering(tmp_path / "sealed", "mm", silent)
    plain = to_plain(Capturing(repeat=(str(again),)), gathering.pack)
    assert plain["repeat"][0]["file"].startswith("inputs/01/")
    assert len(gathering.files) == len(capture.files_of(again)) > 2
    back = from_plain(Capturing, plain, {plain["repeat"][0]["file"]: gathering.folder / plain["repeat"][0]["file"]})
    shutil.rmtree(again if again.is_dir() else again.parent)
    assert capture.read(back.repeat[0]).count > 1000


def test_captures_of_one_wall_are_sealed_as_one(tmp_path):
    site = tmp_path / "site"
    site.mkdir()
    rows = points()
    left, right = rows[rows[:, 0] < 1.2], rows[rows[:, 0] > 0.8]
    for name, part in (("left.ply", left), ("right.ply", right)):
        (site / name).write_bytes(files.ply_bytes(part, code="f8"))
    how = replace(BEFORE_IT, same_wall=True)
    made = seal(
        site / "e.zip", [site / "left.ply", site / "right.ply"], [Job("check", (0, 1), capturing=how, testing=TEST)]
    )
    path = shutil.move(made.path, tmp_path / "given.zip")
    shutil.rmtree(site)
    assert recheck(path).status == "same"
    document = json.loads(zipfile.ZipFile(path).read("results/01-check/check-result.json"))
    assert document["capture"]["files"]


def test_paper_and_files_for_other_programs_are_sealed_and_made_again(tmp_path):
    job = Job("survey", (0,), capturing=Capturing(), paper="letter", also=("dxf", "ply", "explain"))
    site = tmp_path / "site"
    site.mkdir()
    made = seal(site / "e.zip", [EVERY["laser grid"][0](site)], [job])
    names = {name.rpartition("/")[2] for name in zipfile.ZipFile(made.path).namelist()}
    assert {"survey-wall.dxf", "survey-explain.txt"} <= names
    assert recheck(made.path).status == "same"


def test_the_photo_a_contour_is_laid_over_is_sealed_and_drawn_again_from_it(tmp_path, monkeypatch, capsys):
    """Once, though it is attached too; without time and place; made again from nothing outside the sealed file."""
    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.chdir(work)
    Image.new("RGB", (130, 140), (180, 170, 160)).save("wall.jpg", exif=_taken_at())
    laid = ["--overlay-photo", "wall.jpg", "--photo-corners", "10,135,126,135,126,14,10,14"]
    asked = ["evidence", str(GRID), "--limit", "3mm", *laid, "--photo", "wall.jpg", "--quiet"]
    assert run([*asked, "--out", str(tmp_path / "x.zip")]) == 0, capsys.readouterr().err
    monkeypatch.chdir(tmp_path)
    shutil.rmtree(work)
    with zipfile.ZipFile(tmp_path / "x.zip") as archive:
        names = archive.namelist()
        assert [name for name in names if name.startswith("photos/")] == ["photos/01.jpg"]
        assert "results/01-check/check-photo.png" in names
        assert not Image.open(archive.open("photos/01.jpg")).getexif()
        page = " ".join(archive.read("README.txt").decode().split())
    assert "overlay: photo: file photos/01.jpg" in page
    assert "overlay: corners: (10.0, 135.0)" in page
    found = recheck(tmp_path / "x.zip")
    assert found.status == "same", recheck_text(found)
    assert "results/01-check/check-photo.png" in {sheet.name for sheet in found.sheets}


def _taken_at():
    data = Image.Exif()
    data[306] = "2026:11:20 07:30:00"
    return data

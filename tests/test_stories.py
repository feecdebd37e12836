"""The README's two jobs, from the form to the hand-over, run as they are printed; their figures by hand."""

import json
import math
import re
import shlex
from contextlib import nullcontext
from pathlib import Path

import numpy as np
import pytest
from make_samples import WALL, write_ply
from numpy.testing import assert_allclose
from room_model import Level, Pose, Shape, build_wall
from undrawn import undrawn

from flatscan.cli import run

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
STORY = TEXT[TEXT.index("## Two jobs") : TEXT.index("## A tour by task")]
BY_LASER, BY_SCAN = re.findall(r"```sh\n(.*?)```", STORY, re.DOTALL)
# the stations of the sample grid and what they own: to the midlines and the wall's edges [m]
ACROSS = np.array([0.3, 0.4, 0.4, 0.4, 0.4, 0.3, 0.2])
UP = np.array([0.4, 0.6, 0.6, 0.55, 0.35])


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """Run the lines of a story in a folder with the samples; gives exit codes and the folder."""

    def tell(story, more=None, drawn=True):
        folder = tmp_path_factory.mktemp("story")
        (folder / "sample_clouds").symlink_to(ROOT / "sample_clouds")
        if more is not None:
            more(folder)
        with pytest.MonkeyPatch.context() as patch, nullcontext() if drawn else undrawn():
            patch.chdir(folder)
            return [run(shlex.split(line)[1:]) for line in story.splitlines()], folder

    return tell


def result(folder, capture, command):
    return json.loads((folder / f"{capture}-flatscan" / f"{command}-result.json").read_text())


@pytest.fixture(scope="module")
def by_laser(told):
    return told(BY_LASER)


def test_the_job_by_laser_runs_to_an_undecided_hand_over(by_laser):
    codes, folder = by_laser
    assert codes == [0, 0, 0, 0, 4]
    checked = result(folder, "laser_grid_after", "check")
    assert checked["verdict"]["decision"] == "undecided"
    assert any("nothing over the limit at the stations read" in reason for reason in checked["verdict"]["reasons"])
    assert checked["plan"]["stage"] == "hand-over"


def test_the_figures_of_the_job_by_laser(by_laser):
    """Thickness is the reading less 105; the missed station's area goes to its neighbours."""
    _, folder = by_laser
    rows = [line.split(",")[1:] for line in (ROOT / "sample_clouds" / "laser_grid.csv").read_text().splitlines()[8:]]
    read = np.array([[math.nan if "-" in cell else float(cell) for cell in row] for row in rows])
    thick = read - (np.nanmin(read) - 5)
    surveyed, set_out = (result(folder, "laser_grid", command) for command in ("survey", "setout"))
    material = surveyed["material"]
    assert_allclose([material["least_mm"], material["most_mm"]], [5, np.nanmax(thick)], atol=1e-6)
    # litres are mm times m2; what the missed station would have owned lies between its neighbours' thicknesses
    area = np.outer(UP, ACROSS)
    whole = np.nansum(thick * area)
    missed = float(area[np.isnan(read)].sum())
    beside = thick[2:5, 4:7][np.isfinite(thick[2:5, 4:7])]
    assert whole + missed * beside.min() < material["volume_l"] < whole + missed * beside.max()
    dots = [dot for screed in set_out["setout"]["screeds"] for dot in screed["dots"]]
    assert len(dots) == 9
    assert_allclose([dot["reading_mm"] for dot in dots], 107, atol=1e-6)
    assert set_out["setout"]["face"] == "undercoat"
    assert set_out["plan"]["finish_mm"] == 2.0


def test_every_paper_of_a_job_is_of_its_plan(by_laser):
    _, folder = by_laser
    plan = (folder / "laser_grid-flatscan" / "plan.toml").read_text()
    assert 'most = "25 mm"' in plan
    prints = {result(folder, "laser_grid", command)["plan"]["fingerprint"] for command in ("survey", "setout")}
    assert len(prints) == 1
    # the hand-over's plan is another: it judges by a limit and says how far the job is
    assert result(folder, "laser_grid_after", "check")["plan"]["fingerprint"] not in prints


FACE = 0.0216
RIDGE, HOLLOW = 0.003, 0.006


def later_scans(folder):
    """The wall ruled off, 2 mm behind the face, with a hollow and a ridge left in it, and the finished wall."""
    left = ((0.7, 1.2, -HOLLOW, 0.15), (1.8, 1.6, RIDGE, 0.08))
    for name, level, humps, seed in (("ruled", FACE - 0.002, left, 1), ("finished", FACE, (), 2)):
        shape = Shape(WALL.width, WALL.height, humps=humps, levels=(Level(1, -1.0, 9.0, level),))
        points, _ = build_wall(seed, shape=shape, pose=Pose(yaw=np.radians(25.0)), points=120_000, noise=0.0008)
        write_ply(folder / f"{name}.ply", points, "drying room north wall, metres, up is z")


@pytest.fixture(scope="module")
def by_scan(told):
    # the other job makes every sheet; of this one the figures are looked at
    return told(BY_SCAN, later_scans, drawn=False)


def test_the_job_by_scan_runs_to_a_wall_within(by_scan):
    codes, folder = by_scan
    assert codes == [0, 0, 0, 0, 0, 0]
    assert result(folder, "finished", "check")["verdict"]["decision"] == "within"
    assert (folder / "wall.zip").is_file()
    # sealed without drawings, as the whole job was told
    with undrawn():
        assert run(["recheck", str(folder / "wall.zip"), "--quiet"]) == 0


def test_the_figures_of_the_job_by_scan(by_scan):
    """The wall's own formula says where its highest spot is once the hump is cut, and how much lies before the face."""
    _, folder = by_scan
    surveyed = result(folder, "wall", "survey")
    x, y = np.meshgrid(np.linspace(0.005, 2.395, 240), np.linspace(0.005, 2.495, 250))
    wall = WALL.offset(x, y)
    near = np.hypot(x - 0.7, y - 1.75) < 0.3
    highest = wall[~near].max()
    material = surveyed["material"]
    assert [round(cut["cut_mm"], 1) for cut in surveyed["plan"]["cut"]] == [6.0]
    low, high = material["volume_low_l"], material["volume_high_l"]
    # litres: mean thickness times 6 m2, the hump's own litre or less within the range
    assert low < (highest + 0.005 - wall.mean()) * 6000 < high
    dots = [dot for screed in result(folder, "wall", "setout")["setout"]["screeds"] for dot in screed["dots"]]
    assert min(dot["packing_mm"] for dot in dots) > 2
    lows = result(folder, "ruled", "lows")["lows"]
    fill = [low for low in lows if low["kind"] == "fill"]
    assert_allclose([(low["x_mm"], low["y_mm"]) for low in fill], [(700, 1200)], atol=40)
    # a hollow of that form holds 2 pi sd^2 depth in all, and flush with a rule on the flat around it nearly as much
    held = 2 * math.pi * 0.15**2 * HOLLOW * 1000
    assert abs(fill[0]["litres"] - held) < max(0.1 * held, 1.96 * fill[0]["u_litres"])
    change = result(folder, "finished", "compare")["compare"]
    put_on = (FACE - wall.mean()) * 1000
    assert abs(change["mean_mm"] - put_on) < 1.0

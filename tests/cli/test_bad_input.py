"""Bad input: one clear message with the file, what was found and what to do; exit 1; nothing half-written."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

SAMPLES = Path(__file__).parents[2] / "sample_clouds"
GRID = "units, mm\nsense, big = hollow\n\n, 0.1, 1.1\n2.6, 80, 74\n0.1, 80, 79\n"


def refused(ran, tmp_path, *words, left=()):
    """Exit 1, one message without traceback, nothing written."""
    assert ran.code == 1, ran.err
    assert ran.out == ""
    lines = [line for line in ran.err.splitlines() if not line.startswith("note:")]
    assert len(lines) == 1, ran.err
    assert "Traceback" not in ran.err
    assert "needed:" in ran.err
    for word in words:
        assert word in ran.err, ran.err
    assert {path.name for path in tmp_path.iterdir()} <= set(left)


def test_missing_file(flatscan, tmp_path):
    refused(flatscan("survey", "none.ply"), tmp_path, "none.ply")


def test_empty_file(flatscan, tmp_path):
    (tmp_path / "empty.ply").write_bytes(b"")
    refused(flatscan("survey", "empty.ply"), tmp_path, "empty.ply", left=["empty.ply"])


def test_header_promises_more_than_the_file_holds(flatscan, tmp_path, write_ply, plain_wall):
    write_ply(tmp_path / "cut.ply", plain_wall(n=5000), count=9000)
    refused(flatscan("survey", "cut.ply"), tmp_path, "cut.ply", "9", "5", left=["cut.ply"])


def test_all_points_equal(flatscan, tmp_path, write_ply):
    write_ply(tmp_path / "same.ply", np.ones((5000, 3)))
    refused(flatscan("survey", "same.ply"), tmp_path, "same.ply", left=["same.ply"])


def test_nothing_but_nan(flatscan, tmp_path, write_ply):
    write_ply(tmp_path / "nan.ply", np.full((5000, 3), np.nan))
    refused(flatscan("survey", "nan.ply"), tmp_path, "nan.ply", left=["nan.ply"])


def test_map_coordinates_in_single_precision_hide_the_wall(flatscan, tmp_path, write_ply, plain_wall):
    """Neighbouring binary32 numbers between 2^22 and 2^23 lie 0.5 m apart (IEEE 754): no gap is told from them."""
    write_ply(tmp_path / "far.ply", plain_wall() + [512_345.0, 5_412_345.0, 320.0])
    given = ("--up", "z", "--seen-from", "512346,5412344,320")
    ran = flatscan("check", "far.ply", "--rule", "1.8m", "--limit", "3mm", *given)
    refused(ran, tmp_path, "far.ply", "steps of", "zero point near the wall", left=["far.ply"])


def test_nan_and_infinite_points_are_left_out_and_counted(flatscan, tmp_path, write_ply, plain_wall):
    points = plain_wall()
    points[:7] = np.nan
    points[7:10, 1] = np.inf
    write_ply(tmp_path / "some.ply", points)
    document = flatscan("survey", "some.ply", "--json").document
    assert document["capture"]["points"] == 59_990
    assert any("10 " in warning for warning in document["capture"]["warnings"])


def test_no_vertical_plane(flatscan, tmp_path, write_ply):
    rng = np.random.default_rng(1)
    floor = np.stack([rng.uniform(0, 4, 20_000), rng.uniform(0, 3, 20_000), rng.normal(0, 0.001, 20_000)], axis=1)
    write_ply(tmp_path / "floor.ply", floor)
    refused(flatscan("survey", "floor.ply", "--up", "z"), tmp_path, "floor.ply", left=["floor.ply"])


@pytest.mark.parametrize("scale", [1000.0, 0.001], ids=["4000 m", "4 mm"])
def test_wrong_unit(flatscan, tmp_path, write_ply, plain_wall, scale):
    write_ply(tmp_path / "unit.ply", plain_wall(scale=scale), kind="double")
    ran = flatscan("survey", "unit.ply", "--file-unit", "m")
    refused(ran, tmp_path, "unit.ply", left=["unit.ply"])


def test_no_readable_station(flatscan, tmp_path):
    (tmp_path / "none.csv").write_text(GRID.replace("80, 74", "-, -").replace("80, 79", ", -"))
    refused(flatscan("survey", "none.csv"), tmp_path, "none.csv", left=["none.csv"])


def test_text_where_a_number_should_be(flatscan, tmp_path):
    (tmp_path / "text.csv").write_text(GRID.replace("79", "seventy"))
    refused(flatscan("survey", "text.csv"), tmp_path, "text.csv", "seventy", left=["text.csv"])


def test_an_option_of_one_wall_with_two_captures(flatscan, tmp_path):
    wall = SAMPLES / "wall.ply"
    refused(flatscan("survey", wall, wall, "--width", "2.4m"), tmp_path, "--width", "2 captures")


def test_folder_that_may_not_be_written(flatscan, tmp_path):
    (tmp_path / "locked").mkdir(mode=0o555)
    # root may write into any folder but one that the kernel keeps
    folder = Path("/proc/flatscan-out") if os.geteuid() == 0 else Path("locked/x")
    refused(
        flatscan("survey", SAMPLES / "laser_grid.csv", "--out", folder), tmp_path, "cannot be written", left=["locked"]
    )
    assert not folder.exists()


def test_a_file_where_the_folder_should_be(flatscan, tmp_path):
    (tmp_path / "taken").write_text("mine")
    ran = flatscan("survey", SAMPLES / "laser_grid.csv", "--out", "taken")
    refused(ran, tmp_path, "taken", left=["taken"])
    assert (tmp_path / "taken").read_text() == "mine"


@pytest.mark.parametrize(
    "options",
    [
        ("--limit", "0mm"),
        ("--limit", "-3mm"),
        ("--rule", "0m", "--limit", "3mm"),
        ("--limit", "3mm", "--cell", "0mm"),
        ("--limit", "3mm", "--wall", "7"),
        ("--tolerance", "no-such"),
        ("--limit", "3mm", "--confidence", "2"),
        ("--limit", "3mm", "--region", "9,9,10,10"),
    ],
    ids=" ".join,
)
def test_a_value_that_makes_no_sense(flatscan, tmp_path, options):
    refused(flatscan("check", SAMPLES / "wall.ply", *options), tmp_path)


@pytest.mark.parametrize(
    "args",
    [
        ("check",),
        ("check", "x.ply"),
        ("check", "x.ply", "--limit", "3"),
        ("check", "x.ply", "--limit", "three mm"),
        ("survey", "x.ply", "--up", "w"),
        ("survey", "x.ply", "--no-such"),
        ("nonsense",),
        ("survey", "x.ply", "--fix", "1,2"),
        ("survey", "x.ply", "--capture-type", "guess"),
    ],
    ids=" ".join,
)
def test_malformed_options_are_exit_2(flatscan, args):
    ran = flatscan(*args)
    assert ran.code == 2
    assert ran.out == ""
    assert "Traceback" not in ran.err


def test_least_over_most(flatscan, tmp_path):
    ran = flatscan("survey", SAMPLES / "laser_grid.csv", "--least", "30mm", "--most", "10mm")
    refused(ran, tmp_path, "30", "10")


def test_ctrl_c_ends_with_130_and_leaves_nothing(tmp_path, write_ply, plain_wall):
    write_ply(tmp_path / "big.ply", plain_wall(n=4_000_000))
    running = subprocess.Popen(
        [sys.executable, "-m", "flatscan", "survey", "big.ply"], cwd=tmp_path, stderr=subprocess.PIPE, text=True
    )
    time.sleep(1.5)
    running.send_signal(signal.SIGINT)
    _, err = running.communicate(timeout=60)
    assert running.returncode == 130, err
    assert "Traceback" not in err
    assert [path.name for path in tmp_path.iterdir()] == ["big.ply"]


@pytest.mark.parametrize("after", [0.1, 0.25, 0.4, 0.8])
def test_ctrl_c_while_the_program_loads_and_reads(tmp_path, write_ply, plain_wall, after):
    """Ctrl-C goes to the whole group of processes, as in a terminal, and none of them is left."""
    write_ply(tmp_path / "big.ply", plain_wall(n=2_000_000))
    # says when it is up: how long Python itself takes to start is not this program's affair
    (tmp_path / "begun.py").write_text("from flatscan.cli import main\nprint('up', flush=True)\nmain()\n")
    running = subprocess.Popen(
        [sys.executable, "-B", "-m", "begun", "check", "big.ply", "--limit", "3mm"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert running.stdout.readline() == "up\n"
    time.sleep(after)
    os.killpg(running.pid, signal.SIGINT)
    _, err = running.communicate(timeout=60)
    assert (running.returncode, "Traceback" in err) == (130, False), err
    assert {path.name for path in tmp_path.iterdir()} == {"big.ply", "begun.py"}
    for _ in range(100):
        if not _alive(running.pid):
            break
        time.sleep(0.05)
    assert not _alive(running.pid)


def _alive(group):
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True


def test_a_closed_pipe_is_no_error():
    command = f"{sys.executable} -m flatscan tolerances | head -1"
    ran = subprocess.run(["bash", "-c", f"set -o pipefail; {command}"], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    assert ran.stderr == ""


def test_an_error_is_told_in_the_units_asked_for(flatscan):
    asked = ("survey", SAMPLES / "laser_grid.csv", "--least", "4mm", "--most", "5mm", "--json")
    in_inches, in_mm = flatscan(*asked, "--units", "in"), flatscan(*asked)
    # the nearest plan that can be is told, and that it is not the one asked for
    assert in_inches.code == in_mm.code == 1
    assert in_mm.document["notes"][0]["code"] == "plan.cannot"
    assert " in over the most allowed" in in_inches.err
    assert "mm" not in in_inches.err
    assert " mm over the most allowed" in in_mm.err

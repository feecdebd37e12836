"""Every key of a plan has its option, in every command that works by a plan, and both say the same."""

import shlex
from dataclasses import fields
from pathlib import Path

import click
import pytest
from job_folders import put, scramble, told

from flatscan.cli import by_plan, group
from flatscan.cli.options import PLAN
from flatscan.jobs.job_plan import JobPlan
from flatscan.jobs.plan_file import _FACE, _KEYS, read_plan
from flatscan.report.plan_text import plan_text

pytestmark = pytest.mark.usefixtures("few_sheets")
SAMPLES = Path(__file__).parents[2] / "sample_clouds"
GRID = SAMPLES / "laser_grid.csv"
BY_PLAN = ("survey", "check", "setout", "lows", "compare", "evidence", "site")
BOX = '[[{}]]\nleft = "1 ft"\nbottom = 0.9\nwidth = 1.2\nheight = "3\'"'
BOXED = "1ft,0.9,1504.8mm,1814.4mm"
# by key of the plan: a line of plan.toml, and the same thing said on the command line
SAID = {
    "stage": ('stage = "dispute"', ("--stage", "dispute")),
    "system": ('system = "lime"', ("--system", "lime")),
    "least": ('least = "1/4 in"', ("--least", "6.35mm")),
    "most": ('most = "25 mm"', ("--most", "2.5cm")),
    "finish": ('finish = "3 mm"', ("--finish", "3mm")),
    "strip": ('strip = "8 mm"', ("--strip", "8mm")),
    "rule": ('rule = "6 ft"', ("--rule", "1828.8mm")),
    "limit": ('limit = "1/8 in"', ("--limit", "3.175mm")),
    "plumb_limit": ('plumb_limit = "8 mm"', ("--plumb-limit", "8mm")),
    "surface": ('surface = "stays"', ("--surface", "stays")),
    "seen": ('seen = ["damp", "blown"]', ("--seen", "damp", "--seen", "blown")),
    "width": ('width = "4.2 m"', ("--width", "4200mm")),
    "height": ('height = "8 ft"', ("--height", "2438.4mm")),
    "no_opening": ("no_opening = [2]", ("--no-opening", "2")),
    "tolerance": ('tolerance = "uk-plaster-3mm-1.8m"', ("--tolerance", "uk-plaster-3mm-1.8m")),
    "method": ('method = "resting"', ("--method", "resting")),
    "cut": ('cut = ["H1", "H2"]', ("--cut", "h1", "--cut", "H2")),
    "start": ('start = "7:30"', ("--start", "7:30")),
    "rates": ('rates = "rates.toml"', ("--rates", "elsewhere/rates.toml")),
    "mix": ('mix = "1:4"', ("--mix", "1:4")),
    "laser": ('laser = "4 1/2 in"', ("--laser", "114.3mm")),
    "capture_type": ('capture_type = "scanner"', ("--capture-type", "scanner")),
    "up": ('up = "-z"', ("--up", "-z")),
    "seen_from": ('seen_from = "1, -2, 1.5"', ("--seen-from", "1,-2,1.5")),
    "file_unit": ('file_unit = "ft"', ("--file-unit", "ft")),
    "wall": ('wall = "2a"', ("--wall", "2a")),
    "region": ('region = "0.1, 0.2, 2, 1.9"', ("--region", "100mm,0.2,2m,1.9")),
    "crop": ('crop = "0,0,0,1,2,3"', ("--crop", "0,0,0,1,2,3")),
    "accept": ('accept = ["1.1,0.1"]', ("--accept", "1.1,0.1")),
    "accept_source": ("accept_source = true", ("--accept-source",)),
    "confirm": ('confirm = ["order", "even"]', ("--confirm", "order", "--confirm", "even")),
    "same_wall": ('same_wall = ["b.csv"]', ("b.csv", "--same-wall")),
    "tie": ('tie = "ties.csv"', ("--tie", "x/ties.csv")),
    "repeats": ('repeats = ["b.ply"]', ("--repeat", "x/b.ply")),
    "face": (
        "[face]\nlean_up_to = 2\nturn_up_to = 1.5\nparallel_to = 2\nsquare_to = 3",
        ("--lean-up-to", "2", "--turn-up-to", "1.5", "--parallel-to", "2", "--square-to", "3"),
    ),
    "opening": (BOX.format("opening"), ("--opening", BOXED)),
    "pocket": (BOX.format("pocket"), ("--pocket", BOXED)),
    "skip": (BOX.format("skip"), ("--skip", BOXED)),
    "fixed": (
        '[[fixed]]\nx = 0.1\ny = "4 in"\noffset = "30 mm"\n[[fixed]]\nx = 0.5\ny = 1\nreading = "98 mm"',
        ("--fix", "0.1m,4in,30mm", "--fix-reading", "0.5,1,98mm"),
    ),
    "object": (
        '[[object]]\nx = 1\ny = 2\nis = "wall"\n[[object]]\nx = 0.5\ny = 2\nis = "not wall"',
        ("--as-wall", "1,2", "--not-wall", "0.5,2"),
    ),
    "shave": ('[[shave]]\nx = 0.7\ny = 1.75\ndepth = "2 mm"', ("--shave", "0.7,1.75,2mm")),
    "statement": (
        '[[statement]]\ntext = "the old coat was sound"\nby = "the foreman"\ndate = "2026-03-01"',
        ("--statement", "the old coat was sound | the foreman | 2026-03-01"),
    ),
    "job": ('[job]\nclient = "A, B"\ncontract = "12"', ("--record", "client=A, B", "--record", "contract = 12")),
}
# files lie where each says: the plans are the same, their paths are not
PATHS = {"rates", "tie", "repeats", "same_wall"}


def plan_of(args, folder):
    """The plan that options of a command amount to."""
    ctx = group.get_command(click.Context(group), "check").make_context("check", [str(GRID), *args])
    with ctx:
        captures = ctx.params["captures"]
        capture = captures if ctx.params["same_wall"] else captures[0]
        return by_plan.asked(capture, ctx.params, folder, by_plan.by_hand()).plan


def test_every_key_of_a_plan_is_looked_at():
    assert SAID.keys() == _KEYS.keys()
    assert {item.name for item in fields(JobPlan)} == PLAN.keys()
    assert all(f"--{name.replace('_', '-')}" in SAID["face"][1] for name in _FACE)


@pytest.mark.parametrize("key", SAID)
def test_an_option_changes_what_the_key_changes(key, tmp_path):
    text, args = SAID[key]
    by_file, by_option = read_plan(text, tmp_path / "plan.toml"), plan_of(args, tmp_path)
    assert by_file != JobPlan()
    assert by_option.fingerprint == by_file.fingerprint
    # what would be written back is the same, whose job it is included
    written = [plan_text(plan, "", tmp_path / "plan.toml") for plan in (by_file, by_option)]
    assert key in PATHS or written[0] == written[1]


@pytest.mark.parametrize("name", BY_PLAN)
def test_every_command_by_a_plan_takes_all_of_it(name):
    taken = {param.name for param in group.get_command(click.Context(group), name).params}
    assert PLAN.keys() | {"plan", "keep", "more"} <= taken


@pytest.mark.parametrize(
    "given",
    [
        ("--record", "who=me"),
        ("--record", "client"),
        ("--statement", "a|b|c|d"),
        ("--shave", "H1"),
        ("--fix-reading", "1,2,98"),
    ],
)
def test_what_is_malformed(flatscan, given):
    assert flatscan("check", GRID, "--limit", "3mm", *given).code == 2


def settings(document):
    return {one["name"]: one["value"] for one in document["settings"]}


GIVEN = ("--least", "7mm", "--strip", "6mm", "--limit", "5mm", "--start", "7:30", "--lean-up-to", "2")
RUNS = {
    "survey": (GRID,),
    "check": (GRID,),
    "setout": (GRID,),
    "lows": (GRID,),
    "compare": (SAMPLES / "laser_grid_after.csv", GRID, "--same-frame"),
}


@pytest.mark.parametrize("name", RUNS)
def test_the_whole_plan_stands_in_the_settings_and_is_kept(flatscan, name):
    """Also what the command itself has no use for."""
    first = flatscan(name, *RUNS[name], *GIVEN, "--keep", "--json").document
    again = flatscan(name, *RUNS[name], "--json").document
    assert "plan" not in settings(first)
    for said in (settings(first), settings(again)):
        assert (said["least"], said["strip"], said["start"]) == ("7 mm", "6 mm", "7:30")
        assert said["limit"] == "5 mm"
        assert said["lean_up_to"] == "2.0 mm per m"
    assert len([one["name"] for one in again["settings"]]) == len(settings(again))
    assert again["plan"]["fingerprint"] == first["plan"]["fingerprint"]


def test_a_sealed_file_and_a_site_keep_their_plan_too(flatscan, tmp_path):
    (tmp_path / "scans").mkdir()
    (tmp_path / "scans" / GRID.name).write_bytes(GRID.read_bytes())
    assert flatscan("evidence", GRID, *GIVEN, "--keep", "--quiet").code == 0
    of_site = ("site", "scans", *GIVEN, "--keep", "--more", "--quiet", "--formats", "json", "--jobs", "1")
    assert flatscan(*of_site).code == 0
    for folder in ("laser_grid-flatscan", "scans-flatscan"):
        text = Path(folder, "plan.toml").read_text()
        assert 'strip = "6 mm"' in text
        assert 'start = "7:30"' in text
    # the sealed file's folder is that capture's from now on
    other = flatscan("check", SAMPLES / "laser_grid_after.csv", "--out", "laser_grid-flatscan", "--json")
    assert (other.code, "laser_grid.csv" in other.err) == (1, True)


def test_a_tolerance_from_memory_decides_on_somebodys_word(flatscan):
    asked = ("check", SAMPLES / "wall.ply", "--capture-type", "scanner", "--tolerance", "gb-50210-high-grade", "--json")
    alone, accepted = (flatscan(*asked, *more).document["verdict"] for more in ((), ("--accept-source",)))
    assert alone["decision"] == "undecided"
    assert accepted["decision"] != "undecided"
    assert [text for text in accepted["restricted"] if "gb-50210-high-grade" in text]
    assert not [text for text in alone["restricted"] if "gb-50210" in text]


def test_a_corrected_table_goes_on_with_one_command(flatscan, tmp_path):
    """The commonest thing: a reading typed wrongly was put right in the same file."""
    table = tmp_path / "my hall.csv"
    text = GRID.read_text()
    assert ", 118, 115" in text
    table.write_text(text.replace(", 118, 115", ", 181, 115"))
    assert flatscan("setout", table, "--least", "6mm", "--keep").code in (0, 4)
    table.write_text(text)
    refused = flatscan("setout", table, "--least", "7mm")
    assert (refused.code, refused.err.count("\n")) == (1, 1)
    assert "my hall.csv is not as it was on 20" in refused.err
    assert " read 181 mm and reads 118 mm" in refused.err
    assert "the plan stays" in refused.err
    command = refused.err.rpartition("Go on with: ")[2]
    assert flatscan(*shlex.split(command)[1:]).code == 0
    assert 'least = "6 mm"' in (tmp_path / "my hall-flatscan" / "plan.toml").read_text()
    assert flatscan("survey", table).code == 0


@pytest.mark.parametrize(
    "command", [("check", "--limit", "5mm", "--json"), ("evidence", "--quiet"), ("survey", "--list")]
)
def test_a_command_that_reads_a_jobs_folder_finds_one_whole_set(flatscan, command):
    """A run was killed with some of its sheets in place; the next command of any kind undoes that first."""
    folder = Path("laser_grid-flatscan")
    put(folder, "survey", "1")
    scramble(folder)
    flatscan(command[0], GRID, *command[1:])
    assert {text for name, text in told(folder).items() if name.startswith("survey-")} == {"survey 1"}
    assert not list(folder.glob(".flatscan-sheets-*"))

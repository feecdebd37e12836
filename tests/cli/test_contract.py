"""What every command takes and where its words go, over all commands of the program: none can forget it."""

import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import click
import pytest

from flatscan.cli import COMMANDS, demo, doctor, group
from flatscan.cli.speaking import PIPED

SAMPLES = Path(__file__).parents[2] / "sample_clouds"
GRID = SAMPLES / "laser_grid.csv"
TAKES = frozenset({"--out", "--json", "--units", "--quiet", "--overwrite"})
# the page asks before it replaces anything, and each of its walls has units of its own
SPARED = {"desk": {"--units", "--overwrite"}}
# a run of every command that needs neither photos nor a server
RUNS = {
    "survey": (GRID,),
    "check": (GRID, "--limit", "5mm"),
    "setout": (GRID,),
    "lows": (GRID,),
    "site": (SAMPLES / "site.csv",),
    "compare": (GRID, SAMPLES / "laser_grid_after.csv", "--same-frame"),
    "form": (),
    "targets": ("--size", "4in", "--count", "1"),
    "plan-readings": (SAMPLES / "wall.ply", "--readings", "1", "--cell", "200mm", "--capture-type", "scanner"),
    "evidence": (GRID, "--limit", "5mm"),
    "recheck": ("sealed.zip",),
    "tolerances": ("plaster",),
    "methods": ("decision",),
    "rates": ("--example",),
    "completion": ("bash",),
    "doctor": (),
    "demo": (),
}
# a second run of these would show no more
SLOW = {"plan-readings", "site", "compare"}
# photos and a running server have tests of their own: what they take is looked at, not run
NOT_RUN = {"line", "calibrate", "desk"}


def command(name):
    return group.get_command(click.Context(group), name)


def spellings(name):
    return {word for param in command(name).params for word in param.opts}


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_takes_what_all_take(name):
    assert TAKES - SPARED.get(name, set()) <= spellings(name)
    assert set(COMMANDS) == RUNS.keys() | NOT_RUN


@pytest.fixture
def ran(flatscan, tmp_path, few_sheets, monkeypatch):
    """Runs a command as the table has it, with more options; sealing what recheck needs first.

    Of the demo one part: all of it is run elsewhere.
    """
    parts = demo._jobs()[:1]
    monkeypatch.setattr(demo, "_jobs", lambda: parts)

    def run(name, *more):
        site = tmp_path / "site.csv"
        site.write_text(f"wall,file\nhall,{GRID}\n")
        if name == "recheck" and not Path("sealed.zip").exists():
            assert flatscan("evidence", GRID, "--out", "sealed.zip", "--quiet").code == 0
        args = (site, "--jobs", "1", "--formats", "json") if name == "site" else RUNS[name]
        return flatscan(name, *args, *more)

    return run


def made(folder):
    return sorted(str(path.relative_to(folder)) for path in Path(folder).rglob("*") if path.is_file())


@pytest.mark.parametrize("name", RUNS)
def test_the_document_alone_stands_on_standard_output(ran, tmp_path, name):
    before = set(made(tmp_path)) | {"site.csv", "sealed.zip"}
    found = ran(name, "--json", "--units", "in", "--quiet")
    assert found.code in (0, 4)
    documents = found.document if isinstance(found.document, list) else [found.document]
    assert found.err == ""
    for document in documents:
        assert document["schema"] == 1
        assert name == "demo" or document["command"] == name
        assert isinstance(document["files"], list)
    # evidence is a file: it is made in any case
    assert set(made(tmp_path)) <= before | ({"laser_grid-evidence.zip"} if name == "evidence" else set())


@pytest.mark.parametrize("name", RUNS)
def test_words_go_to_standard_error_and_files_into_out(ran, name):
    found = ran(name, "--out", "out")
    assert found.code in (0, 4)
    assert found.out == ""
    assert found.err.strip()
    assert made("out")
    if name in SLOW:
        return
    again = ran(name, "--out", "out", "--quiet", "--overwrite")
    assert (again.code, again.out, again.err) == (found.code, "", "")


@pytest.mark.parametrize("name", sorted(PIPED))
def test_text_that_is_what_was_asked_for_can_be_piped(ran, name):
    found = ran(name)
    assert (found.code, found.err) == (0, "")
    assert len(found.out) > 100


def test_one_file_may_be_named_itself(flatscan):
    assert flatscan("rates", "--example", "--out", "mine.toml").code == 0
    assert tomllib.loads(Path("mine.toml").read_text())["basis"] == "area"
    assert flatscan("targets", "--size", "100mm", "--count", "1", "--out", "a.pdf").code == 0
    assert flatscan("targets", "--size", "100mm", "--count", "1", "--out", "folder").code == 0
    assert made(".") == ["a.pdf", "folder/targets.pdf", "mine.toml"]
    assert flatscan("targets", "--size", "100mm", "--count", "1", "--out", "a.pdf").code == 1


def test_the_form_and_the_targets_are_documents_too(flatscan):
    form = flatscan("form", "--width", "13ft9in", "--height", "8'", "--units", "in", "--json").document
    # 13 ft 9 in and 8 ft of 304.8 mm; in inches the stations stand at whole ones
    assert (form["width_mm"], form["height_mm"]) == (4191.0, 2438.4)
    assert all(abs(one["x_mm"] / 25.4 - round(one["x_mm"] / 25.4)) < 1e-4 for one in form["stations"])
    targets = flatscan("targets", "--size", "4 3/4 in", "--count", "2", "--json").document
    assert (targets["size_mm"], targets["numbers"], targets["files"]) == (120.65, [0, 1], [])


def test_doctor_names_what_is_missing_and_the_line_that_installs_it(flatscan, monkeypatch):
    def load(module):
        if module == "pye57":
            raise ImportError("No module named 'pye57'")
        if module == "cv2":
            raise ImportError("libGL.so.1: cannot open shared object file: No such file or directory")

    monkeypatch.setattr(doctor.importlib, "import_module", load)
    uses = [doctor.examined(*use) for use in doctor._USES]
    assert {use.name: use.install for use in uses if use.lacks} == {
        "doctor.photos": "apt-get install libgl1",
        "doctor.plain-photos": "apt-get install libgl1",
        "doctor.e57": "pip install 'flatscan[e57]'",
    }
    monkeypatch.undo()
    found = flatscan("doctor", "--json").document
    assert all(use["works"] for use in found["uses"] if use["name"] in ("readings", "sheets"))


def _process(*args, **streams):
    return subprocess.run(
        [sys.executable, "-m", "flatscan", *map(str, args)], check=False, text=True, timeout=60, **streams
    )


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
@pytest.mark.parametrize("args", [("methods", "decision"), ("--help",)], ids=" ".join)
def test_a_full_standard_output_is_one_message(args):
    with Path("/dev/full").open("w") as full:
        ran = _process(*args, stdout=full, stderr=subprocess.PIPE)
    assert ran.returncode == 1
    assert ran.stderr.count("\n") == 1
    assert ran.stderr.startswith("flatscan: standard output: it takes no more (no space left on device)")


@pytest.mark.parametrize("args", [("methods", "decision"), ("check", GRID, "--limit", "5mm", "--json")])
def test_a_reader_that_went_away_is_one_message(args):
    hears, tells = os.pipe()
    os.close(hears)
    ran = _process(*args, stdout=tells, stderr=subprocess.PIPE)
    os.close(tells)
    # never 0: of a check that would mean within
    assert ran.returncode == 1
    assert "standard output: its reader went away" in ran.stderr.splitlines()[-1]
    assert "Traceback" not in ran.stderr


def test_words_nobody_can_read_change_no_answer(tmp_path):
    hears, tells = os.pipe()
    os.close(hears)
    ran = _process("tolerances", "plaster", "--json", "--out", tmp_path / "out", stdout=subprocess.PIPE, stderr=tells)
    os.close(tells)
    assert (ran.returncode, json.loads(ran.stdout)["files"]) == (0, ["tolerances.txt", "tolerances-result.json"])

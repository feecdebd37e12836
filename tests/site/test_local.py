"""One process per wall: a crash, a hang or a full memory costs that wall only."""

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import site_builders
from site_builders import SAMPLES, InlinePool, flatscan, make_site, thin_copy, tree

from flatscan.capture.registry import free_memory
from flatscan.cli import run as run_here
from flatscan.site import run
from flatscan.site.job import Settings, in_folder
from flatscan.site.pools import Limits, LocalPool, default_jobs

BAD = ["first, room 1, wall-2", "ground, room 1, wall-2"]


def run_with(site, out, work, limits=None):
    captures = in_folder(site, Settings(wall=1), out)
    return run(captures, out, lambda: LocalPool(2, limits or Limits(), work)).document


def test_same_as_in_one_process(site, tmp_path):
    captures = in_folder(site, Settings(), tmp_path / "out")
    run(captures, tmp_path / "inline", lambda: InlinePool(site_builders.quick))
    run(captures, tmp_path / "local", lambda: LocalPool(3, work=site_builders.quick))
    assert tree(tmp_path / "local") == tree(tmp_path / "inline")


@pytest.mark.parametrize(
    ("work", "limits", "words"),
    [
        ("crash_on_second", Limits(), r"ended by signal 11, perhaps because the machine's memory was full"),
        ("hang_on_second", Limits(seconds=2), r"not done within 2 s.*Raise --time-limit"),
        ("eat_memory_on_second", Limits(memory=1 << 30), r"the memory allowed for one wall is full.*fewer --jobs"),
        ("fault_on_second", Limits(), r"unexpected ZeroDivisionError: by nought.*please report it"),
    ],
)
def test_one_bad_wall_does_not_stop_the_rest_and_is_tried_again(site, tmp_path, work, limits, words):
    out = tmp_path / "out"
    made = run_with(site, out, getattr(site_builders, work), limits)
    assert [row["title"] for row in made["failed"]] == BAD
    assert all(re.search(words, row["error"]) for row in made["failed"])
    assert made["totals"]["walls"] == 6
    healed = run_with(site, out, site_builders.quick)
    assert healed["failed"] == []
    captures = in_folder(site, Settings(wall=1), out)
    run(captures, tmp_path / "undisturbed", lambda: InlinePool(site_builders.quick))
    assert tree(out) == tree(tmp_path / "undisturbed")


def test_standard_output_stays_clean(site, tmp_path, capfd):
    run_with(site, tmp_path / "out", site_builders.chatty)
    assert capfd.readouterr().out == ""


def test_workers_end_when_the_run_is_killed(site, tmp_path):
    """A killed run leaves no process at work on a folder that the next run holds."""
    out = tmp_path / "out"
    program = (
        f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r})\n"
        "from pathlib import Path\nimport site_builders\nfrom flatscan.site import run\n"
        "from flatscan.site.job import Settings\nfrom flatscan.site.job import in_folder\n"
        "from flatscan.site.pools import LocalPool\n"
        f"site, out = Path({str(site)!r}), Path({str(out)!r})\n"
        "run(in_folder(site, Settings(), out), out, lambda: LocalPool(2, work=site_builders.tell_and_wait))\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", program], cwd=SAMPLES.parent)
    workers = wait_for(
        lambda: [int(path.name[4:]) for path in out.glob(".flatscan-site/scratch/pid-*")], lambda found: len(found) == 2
    )
    parent.kill()
    parent.wait()
    wait_for(lambda: [pid for pid in workers if is_running(pid)], lambda alive: not alive)


def wait_for(look, good, seconds=60):
    until = time.monotonic() + seconds
    while not good(found := look()):
        assert time.monotonic() < until, found
        time.sleep(0.05)
    return found


def is_running(pid):
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except OSError:
        return False
    return state not in "ZX"


def start(*words, cwd):
    command = [sys.executable, "-m", "flatscan", *map(str, words)]
    environment = os.environ | {"PYTHONPATH": str(SAMPLES.parent), "PYTHONWARNINGS": "ignore"}
    return subprocess.Popen(
        command,
        cwd=cwd,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
        start_new_session=True,
    )


def test_the_command_killed_and_stopped_and_resumed(tmp_path):
    """The real command: killed outright, then stopped with Ctrl-C, then let go on; the same bytes as undisturbed."""
    make_site(tmp_path / "scans", floors=("ground",), rooms=1, walls=3)
    words = ("site", "scans", "--limit", "3mm", "--jobs", "2", "--formats", "csv")
    done = flatscan(*words, "--out", "undisturbed", "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["totals"]["walls"] == 3
    run_ = start(*words, "--out", "out", cwd=tmp_path)
    wait_for(lambda: list(tmp_path.glob("out/.flatscan-site/captures/*/record.json")), lambda found: found)
    run_.kill()
    run_.communicate()
    run_ = start(*words, "--out", "out", cwd=tmp_path)
    assert run_.stderr is not None
    run_.stderr.readline()
    os.killpg(run_.pid, signal.SIGINT)
    _, errors = run_.communicate()
    if run_.returncode != 0:
        assert run_.returncode == 130
        assert errors.rstrip().endswith("flatscan: stopped; nothing half-written was left behind.")
        assert not list(tmp_path.glob("out/.flatscan-site/scratch/*"))
    assert "Traceback" not in errors
    last = flatscan(*words, "--out", "out", "--json", cwd=tmp_path)
    assert last.stdout == done.stdout
    assert tree(tmp_path / "out") == tree(tmp_path / "undisturbed")


def test_clouds_rooms_readings_and_rubbish_together(tmp_path, capsys):
    """Each wall of a room is the wall that check finds on its own, and a broken file only adds a line."""
    (tmp_path / "scans").mkdir()
    thin_copy(SAMPLES / "wall.ply", tmp_path / "scans" / "wall.ply")
    for name in ("room.ply", "laser_grid.csv"):
        shutil.copy(SAMPLES / name, tmp_path / "scans")
    (tmp_path / "scans" / "broken.ply").write_bytes((SAMPLES / "wall.ply").read_bytes()[:5000])
    options = ("--limit", "3mm", "--capture-type", "scanner", "--json")
    done = flatscan("site", "scans", *options, "--formats", "json", "--out", "out", cwd=tmp_path)
    made = json.loads(done.stdout)
    assert done.returncode == 1, done.stderr
    assert [row["name"] for row in made["failed"]] == ["broken"]
    assert "cut off" in made["failed"][0]["error"]
    names = sorted((row["name"], row["number"]) for row in made["walls"])
    assert names == [("laser_grid", 1), *(("room", number) for number in (1, 2, 3, 4)), ("wall", 1)]
    assert run_here(["check", str(tmp_path / "scans/room.ply"), *options, "--wall", "3"]) in (0, 3, 4)
    own = json.loads(capsys.readouterr().out)
    there = json.loads((tmp_path / "out/walls/room-wall-3/site-result.json").read_text())
    assert (there["wall"].pop("title"), own["wall"].pop("title")) == ("room, wall 3", "")
    for part in ("wall", "plumb", "shape", "patches", "flatness", "verdict"):
        assert there[part] == own[part], part


def test_machine_is_known():
    assert default_jobs() >= 1
    memory = free_memory()
    assert memory is None or memory > 1 << 26

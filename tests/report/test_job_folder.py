"""A job's folder: every command's sheets side by side, replaced all or none, and nobody else's file touched."""

import hashlib
import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from job_folders import HALL, SHEETS, put, scramble, sheets, told

from flatscan.core.errors import OutputError
from flatscan.core.phrase import command_line
from flatscan.report import staging
from flatscan.report.job_folder import RECORD, Subject, folder_of, put_sheets, sheet_name, subject_of
from flatscan.report.locking import locked
from flatscan.report.placing import write_file

SUPPORT = Path(__file__).parents[1] / "support"
# what a process of its own has to know: this program, wherever another one is installed
ASIDE = f"import sys; sys.path[:0] = [{str(SUPPORT)!r}, {str(SUPPORT.parents[1])!r}]"


@pytest.fixture
def job(tmp_path):
    """A folder with a survey's sheets, another command's, the plan, and somebody's own file and folder."""
    folder = tmp_path / "hall-flatscan"
    put(folder, "setout", "1", names=("sheets.pdf",))
    put(folder, "survey", "1")
    (folder / "plan.toml").write_text("least = 6")
    (folder / "photos").mkdir()
    (folder / "photos" / "a.jpg").write_text("mine")
    return folder


def test_each_command_replaces_its_own_sheets_and_no_others(job):
    before = told(job)
    written = put(job, "survey", "2", names=SHEETS[:2])
    assert [path.name for path in written] == [sheet_name("survey", name) for name in SHEETS[:2]]
    gone = {name: what for name, what in before.items() if name.startswith("survey-") or name == RECORD}
    kept = {name: what for name, what in before.items() if name not in gone}
    assert kept == {name: what for name, what in told(job).items() if name in kept}
    assert set(told(job)) == set(kept) | {path.name for path in written} | {RECORD}
    assert all(path.read_text() == "survey 2" for path in written)


def test_the_record_says_whose_the_files_are(job):
    record = json.loads((job / RECORD).read_text())
    assert record["subject"] == {"file": "hall.ply", "sha256": "ab" * 32, "wall": "1", "readings": []}
    wanted = {"survey-sheets.pdf": hashlib.sha256(b"survey 1").hexdigest()}
    assert record["sheets"]["survey"].items() >= wanted.items()
    assert set(record["sheets"]) == {"survey", "setout"}
    assert subject_of(job) == HALL
    assert subject_of(job.parent) is None


@pytest.mark.parametrize(
    ("name", "found"),
    [("survey-new.csv", "did not write"), ("survey-sheets.pdf", "changed since"), ("setout-sheets.pdf", "changed")],
)
def test_a_persons_file_is_replaced_on_demand_only(job, name, found):
    command = name.partition("-")[0]
    (job / name).write_text("mine")
    before = told(job)
    new = (*SHEETS, "new.csv")
    with pytest.raises(OutputError, match=found) as caught:
        put(job, command, "2", names=new)
    where, _, needed, remedy = caught.value.parts(command_line())
    assert (where, needed) == (str(job / name), "a name that is free")
    assert "--out" in remedy
    assert "--overwrite" in remedy
    assert told(job) == before
    put(job, command, "2", names=new, overwrite=True)
    assert (job / name).read_text() == f"{command} 2"


def test_a_changed_sheet_that_is_made_no_more_is_its_persons(job):
    (job / "survey-spots.csv").write_text("mine")
    put(job, "survey", "2", names=("sheets.pdf",))
    assert {name for name in told(job) if name.startswith("survey-")} == {"survey-sheets.pdf", "survey-spots.csv"}
    put(job, "survey", "3", names=("sheets.pdf",))
    assert (job / "survey-spots.csv").read_text() == "mine"


def test_what_its_person_removed_is_no_trouble(job):
    (job / "survey-spots.csv").unlink()
    put(job, "survey", "2")
    assert (job / "survey-spots.csv").read_text() == "survey 2"


def test_a_link_under_a_sheets_name_is_a_persons_file(job, tmp_path):
    precious = tmp_path / "precious"
    precious.write_text("survey 1")
    (job / "survey-sheets.pdf").unlink()
    (job / "survey-sheets.pdf").symlink_to(precious)
    with pytest.raises(OutputError, match="changed since"):
        put(job, "survey", "2")
    put(job, "survey", "2", overwrite=True)
    assert precious.read_text() == "survey 1"


@pytest.mark.parametrize(
    ("other", "found"),
    [
        (Subject("hall.ply", "cd" * 32, "1"), "hall.ply is not as it was on 20.*what stands in it is another"),
        (Subject("door.ply", "cd" * 32, "1"), "are of hall.ply"),
        (Subject("hall.ply", "ab" * 32, "2"), "are of wall 1 of hall.ply"),
    ],
)
def test_a_folder_of_another_capture_or_wall_is_taken_over_on_demand(job, other, found):
    before = told(job)
    with pytest.raises(OutputError, match=found) as caught:
        put(job, "survey", "2", subject=other)
    assert "--out" in caught.value.parts(command_line())[3]
    assert told(job) == before
    put(job, "survey", "2", subject=other, overwrite=True)
    # no paper of the other one is left beside these; the plan and what is somebody's own are
    assert {name.partition("-")[0] for name in told(job)} == {"survey", RECORD, "plan.toml", "photos/a.jpg"}
    assert subject_of(job) == other


@pytest.mark.parametrize(
    ("readings", "found"),
    [
        (((100, 200, 140), (300, 200, 82)), "x 0.100 m, y 0.200 m read 14 mm and reads 140 mm"),
        (((100, 200, 140), (300, 200, 80)), "reads 140 mm; others that differ: 1"),
        (((100, 200, 14),), "made: readings that are gone: 1"),
        (((100, 200, 14), (300, 200, 82.01), (500, 200, 80)), "made: readings that are new: 1"),
        (((100, 200, 14), (300, 200, 82)), "not its readings, but something beside them"),
    ],
)
def test_of_a_corrected_table_it_is_said_what_was_corrected(tmp_path, readings, found):
    before = Subject("hall.csv", "ab" * 32, "1", ((100.0, 200.0, 14.0), (300.0, 200.0, 82.0)))
    put(tmp_path / "out", "survey", "1", subject=before)
    with pytest.raises(OutputError, match=found):
        put(tmp_path / "out", "survey", "2", subject=Subject("hall.csv", "cd" * 32, "1", readings))


def test_a_list_of_walls_is_of_all_of_them(tmp_path):
    folder = tmp_path / "out"
    every = Subject(HALL.file, HALL.sha256)
    put(folder, "list", "1", subject=every)
    put(folder, "survey", "1")
    put(folder, "list", "2", subject=every)
    assert subject_of(folder) == HALL
    assert {name.partition("-")[0] for name in told(folder)} == {"list", "survey", RECORD}


def test_alone_leaves_no_other_commands_sheets(job):
    put(job, "check", "1", alone=True)
    assert {name.partition("-")[0] for name in told(job)} == {"check", RECORD, "plan.toml", "photos/a.jpg"}


@pytest.mark.parametrize("text", ["", "{", "[]", '{"schema": 2}', '{"sheets": {"survey": {"../x": "ab"}}}'])
def test_a_record_that_is_none_of_ours_is_not_believed(job, text):
    (job.parent / "x").write_text("mine")
    (job / RECORD).write_text(text)
    with pytest.raises(OutputError, match="does not say whose"):
        put(job, "survey", "2")
    put(job, "survey", "2", overwrite=True)
    assert (job.parent / "x").read_text() == "mine"
    assert subject_of(job) == HALL


def test_a_job_has_one_folder():
    assert folder_of("scans/hall west.ply") == Path("hall west-flatscan")


class Full(OSError):
    """A disk with no room left."""


@pytest.mark.parametrize("fault", [Full(28, "No space left on device"), KeyboardInterrupt()], ids=["full", "ctrl-c"])
@pytest.mark.parametrize("existing", [True, False], ids=["old sheets", "new folder"])
def test_a_failure_at_any_move_leaves_all_that_was(tmp_path, monkeypatch, fault, existing):
    """Whichever of the moves fails; the moves back succeed."""
    folder = tmp_path / "deep" / "out"
    if existing:
        put(folder, "survey", "1")
    before = told(tmp_path)
    moves, rename = 0, staging._rename

    def counted(old, new):
        nonlocal moves
        moves += 1
        if moves == failing:
            raise fault
        rename(old, new)

    monkeypatch.setattr(staging, "_rename", counted)
    failing = 0
    while moves == failing:
        moves, failing = 0, failing + 1
        if failing > 20:
            pytest.fail("no end of moves")
        try:
            put(folder, "survey", "2", names=(*SHEETS, "more.csv"))
        except (OutputError, KeyboardInterrupt):
            assert told(tmp_path) == before
            assert moves >= failing
            moves = failing
    # the old ones aside, the new ones in with their record, and the list of moves closed
    assert failing - 1 == existing * (len(SHEETS) + 1) + len(SHEETS) + 2 + 1
    assert {told(folder)[f"survey-{name}"] for name in SHEETS} == {"survey 2"}


def test_where_moving_back_fails_too_the_next_run_does_it(tmp_path, monkeypatch):
    folder = tmp_path / "out"
    put(folder, "survey", "1")
    before = told(folder)
    moves, rename = 0, staging._rename

    def broken(old, new):
        nonlocal moves
        moves += 1
        if moves > 6:
            raise Full(28, "No space left on device")
        rename(old, new)

    monkeypatch.setattr(staging, "_rename", broken)
    with pytest.raises(OutputError, match="no space left"):
        put(folder, "survey", "2")
    monkeypatch.undo()
    assert told(folder) != before
    # also one that is refused
    with pytest.raises(OutputError):
        put(folder, "survey", "2", subject=Subject("door.ply", "cd" * 32, "1"))
    assert told(folder) == before


def test_killed_at_any_move_the_next_run_finds_the_old_or_the_new(tmp_path):
    """Processes that kill themselves before each of their moves in turn, forked from one that has nothing else open."""
    code = f"{ASIDE}; import job_folders; job_folders.die_at_every_move()"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 0, done.stderr
    ends = done.stdout.split()
    # the last move is the instant: before it all is old, after it all is new
    assert ends == ["old"] * (len(ends) - 1) + ["new"]
    assert len(ends) == 2 * len(SHEETS) + 3 + 1


def test_stopped_at_any_instant_it_is_all_old_or_all_new(tmp_path):
    """A process that writes one generation of sheets after the other, stopped by a real signal at a chance instant."""
    turns = 24
    code = f"{ASIDE}; import job_folders; job_folders.die_by_signals({turns})"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False, timeout=120
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["whole"] * turns


def test_leftovers_of_the_dead_are_swept_and_those_of_the_living_kept(tmp_path):
    folder = tmp_path / "out"
    put(folder, "survey", "1")
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    me = staging._me()
    owners = {
        "dead": me | {"pid": ended.pid},
        # the number lives on as another process
        "reused": me | {"started": "another start"},
        "alive": {"pid": os.getppid(), "started": staging._started(os.getppid()), "host": me["host"]},
        "elsewhere": me | {"pid": ended.pid, "host": "another host"},
        "nameless": None,
    }
    for name, owner in owners.items():
        room = folder / f"{staging.PREFIX}{name}"
        room.mkdir()
        if owner is not None:
            (room / "owner.json").write_text(json.dumps(owner))
    (folder / f"{staging.PREFIX}file").write_text("mine")
    put(folder, "survey", "2")
    left = {path.name.removeprefix(staging.PREFIX) for path in folder.glob(f"{staging.PREFIX}*")}
    assert left == {"alive", "elsewhere", "file"}


def test_moves_that_lead_out_of_the_folder_are_not_made(tmp_path):
    folder, outside = tmp_path / "out", tmp_path / "precious"
    put(folder, "survey", "1")
    outside.write_text("mine")
    room = folder / f"{staging.PREFIX}x"
    (room / "old").mkdir(parents=True)
    (room / "new").mkdir()
    stamp = staging._stamp(outside)
    (room / "moves.json").write_text(json.dumps({"come": {"../precious": stamp}, "go": []}))
    (room / "owner.json").write_text(json.dumps(staging._me() | {"started": "another start"}))
    put(folder, "survey", "2")
    assert outside.read_text() == "mine"
    assert not room.exists()


def test_what_its_person_saved_after_a_run_died_is_not_moved_back(tmp_path):
    """Half moved: two old ones aside, one new one in, and then somebody saved another under its name."""
    folder = tmp_path / "out"
    put(folder, "survey", "1")
    room = scramble(folder)
    (folder / "survey-sheets.pdf").write_text("mine, and longer")
    with pytest.raises(OutputError, match=r"survey-sheets\.pdf.*changed since"):
        put(folder, "survey", "2")
    assert (folder / "survey-sheets.pdf").read_text() == "mine, and longer"
    assert (folder / "survey-spots.csv").read_text() == "survey 1"
    assert not room.exists()


def test_a_second_run_waits_for_the_first(tmp_path):
    folder = tmp_path / "out"
    put(folder, "survey", "1")
    begun, waited = threading.Event(), []

    def second():
        begun.set()
        put(folder, "survey", "2")
        waited.append(time.monotonic())

    with locked(folder / staging.LOCK):
        other = threading.Thread(target=second)
        other.start()
        begun.wait()
        time.sleep(0.2)
        assert told(folder)["survey-sheets.pdf"] == "survey 1"
        let_go = time.monotonic()
    other.join()
    assert waited[0] > let_go
    assert told(folder)["survey-sheets.pdf"] == "survey 2"
    assert not (folder / staging.LOCK).exists()


def test_a_second_run_is_refused_in_the_end(tmp_path, monkeypatch):
    folder = tmp_path / "out"
    put(folder, "survey", "1")
    before = told(folder)
    monkeypatch.setattr(staging, "PATIENCE", 0.1)
    with (
        locked(folder / staging.LOCK),
        pytest.raises(OutputError, match=f"another run is at work.*process {os.getpid()}"),
    ):
        put(folder, "survey", "2")
    assert told(folder) == before


def test_the_lock_of_a_dead_process_is_free(tmp_path):
    code = (
        "import os, signal, sys; from pathlib import Path; from flatscan.report.locking import locked\n"
        "with locked(Path('lock')): print('held', flush=True); os.kill(os.getpid(), signal.SIGKILL)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.stdout == "held\n"
    assert (tmp_path / "lock").exists()
    with locked(tmp_path / "lock"):
        assert (tmp_path / "lock").read_text() == f"process {os.getpid()} on {os.uname().nodename}"


def test_two_runs_at_once_give_the_sheets_of_one(tmp_path):
    """Two processes, each of which puts its sheets there over and over."""
    code = f"{ASIDE}; import job_folders; job_folders.two_at_once(30)"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False, timeout=60
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == f"[0, 0] {len(SHEETS)} 1 []\n"


def test_a_reader_finds_one_whole_set(tmp_path):
    folder = tmp_path / "out"
    put(folder, "survey", "1")
    before = told(folder)
    scramble(folder)
    assert told(folder) != before
    assert subject_of(folder) == HALL
    assert told(folder) == before


def test_a_single_file_is_put_there_whole_and_what_a_dead_one_left_goes(tmp_path):
    put(tmp_path, "survey", "1")
    before = told(tmp_path)
    scramble(tmp_path)
    write_file(tmp_path / "rates.toml", b"day = 1")
    assert told(tmp_path) == before | {"rates.toml": "day = 1"}
    with pytest.raises(OutputError, match="exists already"):
        write_file(tmp_path / "rates.toml", b"day = 2")


def test_a_new_folder_that_nothing_is_put_into_goes_again(tmp_path):
    def fails(path):
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        put_sheets(tmp_path / "a" / "b", "survey", [("survey-x", fails)], HALL)
    assert list(tmp_path.iterdir()) == []


def test_sheets_stand_with_the_rights_of_other_files(tmp_path):
    put(tmp_path / "out", "survey", "1")
    (tmp_path / "plain").write_text("")
    modes = {path.stat().st_mode for path in (tmp_path / "out").iterdir()} | {(tmp_path / "plain").stat().st_mode}
    assert len(modes) == 1
    assert len(sheets("survey", "1")) == len(SHEETS)

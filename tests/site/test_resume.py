"""Nothing lost and nothing done twice, whatever instant a run ends at."""

import json
import os
import random
import signal
import sys

import pytest
from site_builders import InlinePool, flatscan, grid_text, quick_work, tree

from flatscan.core.errors import OutputError
from flatscan.site import run
from flatscan.site.job import Settings, in_folder

# Python 3.12 and later warn of every fork beside threads; the children here run on one thread to their end
pytestmark = pytest.mark.filterwarnings("ignore:This process:DeprecationWarning")


def captures_of(site, out):
    return in_folder(site, Settings(), out)


@pytest.fixture
def undisturbed(site, tmp_path, one_wall):
    out = tmp_path / "undisturbed"
    run(captures_of(site, out), out, lambda: InlinePool(quick_work(*one_wall)))
    return tree(out)


def run_and_die_at(site, out, one_wall, event):
    """Run in a child that kills itself at its n-th touch of the file system; True if it came to its end instead."""
    child = os.fork()
    if child == 0:
        left = event

        def hook(name, _):
            nonlocal left
            if name in ("open", "os.rename", "os.mkdir", "os.rmdir", "os.remove", "os.listdir", "os.scandir"):
                left -= 1
                if left == 0:
                    os.kill(os.getpid(), signal.SIGKILL)

        captures = captures_of(site, out)
        sys.addaudithook(hook)
        run(captures, out, lambda: InlinePool(quick_work(*one_wall)))
        os._exit(0)
    _, status = os.waitpid(child, 0)
    return status == 0


def test_killed_at_random_instants_and_resumed(site, tmp_path, one_wall, undisturbed):
    draw = random.Random(1)
    kills = 0
    for trial in range(9):
        out = tmp_path / f"killed-{trial}"
        for _ in range(200):
            if run_and_die_at(site, out, one_wall, draw.randint(1, 90)):
                break
            kills += 1
        else:
            pytest.fail("a run that is killed again and again must come to its end")
        assert tree(out) == undisturbed
    assert kills >= 50


def test_killed_once_at_every_touch_of_the_file_system_around_a_result(site, tmp_path, one_wall, undisturbed):
    for event in range(60, 100, 3):
        out = tmp_path / f"killed-{event}"
        assert not run_and_die_at(site, out, one_wall, event)
        run(captures_of(site, out), out, lambda: InlinePool(quick_work(*one_wall)))
        assert tree(out) == undisturbed


def test_what_is_done_is_not_done_again(site, tmp_path, one_wall):
    out, pool = tmp_path / "out", InlinePool(quick_work(*one_wall))
    first = run(captures_of(site, out), out, lambda: pool)
    assert len(pool.done) == 16
    assert first.reused == 0
    again = InlinePool(quick_work(*one_wall))
    second = run(captures_of(site, out), out, lambda: again)
    assert again.done == []
    assert second.reused == 16
    assert second.document == first.document


def test_a_run_stopped_between_two_walls_goes_on_with_the_rest(site, tmp_path, one_wall, undisturbed):
    out, work = tmp_path / "out", quick_work(*one_wall)

    class Stopped(InlinePool):
        def next(self):
            if len(self.done) == 11:
                raise KeyboardInterrupt
            return super().next()

    stopped = Stopped(work)
    with pytest.raises(KeyboardInterrupt):
        run(captures_of(site, out), out, lambda: stopped)
    assert stopped.closed
    assert not (out / "site.json").exists()
    rest = InlinePool(work)
    run(captures_of(site, out), out, lambda: rest)
    assert len(stopped.done) + len(rest.done) == 16
    assert not set(stopped.done) & set(rest.done)
    assert tree(out) == undisturbed


def test_a_changed_file_or_setting_is_done_again_and_nothing_else(site, tmp_path, one_wall):
    out, work = tmp_path / "out", quick_work(*one_wall)
    run(captures_of(site, out), out, lambda: InlinePool(work))
    (site / "ground/room 1/wall-1.csv").write_text(grid_text(99))
    pool = InlinePool(work)
    run(captures_of(site, out), out, lambda: pool)
    assert pool.done == [("look", "ground-room-1-wall-1"), ("wall", "ground-room-1-wall-1")]
    pool = InlinePool(work)
    run(in_folder(site, Settings(units="in"), out), out, lambda: pool)
    assert len(pool.done) == 16


def test_a_sheet_that_was_lost_or_cut_off_is_made_again(site, tmp_path, one_wall, undisturbed):
    out, work = tmp_path / "out", quick_work(*one_wall)
    run(captures_of(site, out), out, lambda: InlinePool(work))
    (out / "walls/ground-room-1-wall-1/site-result.json").unlink()
    (out / "walls/ground-room-1-wall-2/site-result.json").write_bytes(b"{")
    (out / "walls/ground-room-2-wall-1/record.json").write_bytes(b"not json")
    pool = InlinePool(work)
    run(captures_of(site, out), out, lambda: pool)
    names = ["ground-room-1-wall-1", "ground-room-1-wall-2", "ground-room-2-wall-1"]
    assert sorted(pool.done) == [("wall", name) for name in names]
    assert tree(out) == undisturbed


def test_dates_do_not_matter(site, tmp_path, one_wall, undisturbed, monkeypatch):
    """The machine's clock jumps back and forth, and all files carry dates from another time."""
    out, work = tmp_path / "out", quick_work(*one_wall)
    draw = random.Random(2)
    monkeypatch.setattr("time.time", lambda: draw.uniform(0, 4e9))
    monkeypatch.setattr("time.time_ns", lambda: int(draw.uniform(0, 4e18)))
    run(captures_of(site, out), out, lambda: InlinePool(work))
    assert tree(out) == undisturbed
    for path in [*site.rglob("*"), *out.rglob("*")]:
        os.utime(path, (0, draw.choice([0, 4_000_000_000])))
    pool = InlinePool(work)
    run(captures_of(site, out), out, lambda: pool)
    assert pool.done == []
    assert tree(out) == undisturbed


def test_begin_anew(site, tmp_path, one_wall, undisturbed):
    out, work = tmp_path / "out", quick_work(*one_wall)
    run(captures_of(site, out), out, lambda: InlinePool(work))
    pool = InlinePool(work)
    run(captures_of(site, out), out, lambda: pool, afresh=True)
    assert len(pool.done) == 16
    assert tree(out) == undisturbed


def test_a_capture_that_is_gone_leaves_the_results(site, tmp_path, one_wall):
    out, work = tmp_path / "out", quick_work(*one_wall)
    run(captures_of(site, out), out, lambda: InlinePool(work))
    (site / "first/room 2/wall-2.csv").unlink()
    made = run(captures_of(site, out), out, lambda: InlinePool(work)).document
    assert made["totals"]["walls"] == 7
    assert not (out / "walls/first-room-2-wall-2").exists()
    assert (out / "walls/first-room-2-wall-1").exists()


def test_two_runs_on_one_folder(site, tmp_path, one_wall):
    """The second is refused with the first one's process number; when the first is over, it may run."""
    out, work = tmp_path / "out", quick_work(*one_wall)
    messages = []

    def second_run(task):
        if not messages:
            with pytest.raises(OutputError, match="another run is at work in it") as caught:
                run(captures_of(site, out), out, lambda: InlinePool(work))
            messages.append(str(caught.value))
        return work(task)

    run(captures_of(site, out), out, lambda: InlinePool(second_run))
    assert f"process {os.getpid()} on " in messages[0]
    run(captures_of(site, out), out, lambda: InlinePool(work))


def test_a_lock_whose_holder_died_does_not_hold(site, tmp_path, one_wall):
    out = tmp_path / "out"
    assert not run_and_die_at(site, out, one_wall, 40)
    assert (out / ".flatscan-site/lock").exists()
    run(captures_of(site, out), out, lambda: InlinePool(quick_work(*one_wall)))


def test_disk_full_in_the_middle(site, tmp_path, one_wall, undisturbed):
    """The operating system refuses to write on (a limit on file size stands for the disk): said, and resumed later."""
    out, (record, sheets) = tmp_path / "out", one_wall
    child = os.fork()
    if child == 0:
        import resource

        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        work = quick_work(record, sheets)

        def late(task):
            if task.kind == "wall" and task.slug.endswith("first-room-2-wall-1"):
                resource.setrlimit(resource.RLIMIT_FSIZE, (100, resource.RLIM_INFINITY))
            return work(task)

        try:
            run(captures_of(site, out), out, lambda: InlinePool(late))
        except OutputError as error:
            resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
            (tmp_path / "message").write_text(str(error))
            os._exit(7)
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 7
    message = (tmp_path / "message").read_text()
    assert "cannot be written (file too large)" in message
    assert "goes on where it stopped" in message
    kept = len(list((out / "walls").glob("*/record.json")))
    assert 0 < kept < 8
    pool = InlinePool(quick_work(record, sheets))
    run(captures_of(site, out), out, lambda: pool)
    assert len([kind for kind, _ in pool.done if kind == "wall"]) == 8 - kept
    assert tree(out) == undisturbed


def test_a_folder_that_cannot_be_written(site, tmp_path):
    blocked = tmp_path / "a file"
    blocked.write_text("")
    for out in ("/proc/flatscan-site", blocked / "out"):
        done = flatscan("site", site, "--out", out, cwd=tmp_path)
        assert done.returncode == 1
        assert "cannot be written" in done.stderr
        assert "Traceback" not in done.stderr
        assert done.stdout == ""


def test_read_only_folder(site, tmp_path, one_wall):
    """As root every folder can be written, so the run gives its rights up first."""
    out = tmp_path / "out"
    out.mkdir()
    out.chmod(0o555)
    child = os.fork()
    if child == 0:
        if os.geteuid() == 0:
            for folder in (tmp_path, *tmp_path.parents):
                folder.chmod(folder.stat().st_mode | 0o555)
            os.setuid(65534)
        try:
            run(captures_of(site, out), out, lambda: InlinePool(quick_work(*one_wall)))
        except OutputError as error:
            os._exit(7 if "cannot be written (permission denied)" in str(error) else 8)
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 7


def test_records_hold_no_times(site, tmp_path, one_wall):
    """Two runs at different times give the same bytes: what a summary says depends on nothing but the input."""
    made = []
    for name in ("one", "two"):
        out = tmp_path / name
        run(captures_of(site, out), out, lambda: InlinePool(quick_work(*one_wall)), site="scans")
        made.append(tree(out))
    assert made[0] == made[1]
    assert json.loads(made[0]["site.json"])["site"] == "scans"


def test_the_same_words_wherever_the_site_lies(tmp_path, monkeypatch):
    """Another folder, another way of naming it: the same bytes, failures included."""
    made = []
    for place in ("a", "b/deeper"):
        scans = tmp_path / place / "scans"
        scans.mkdir(parents=True)
        (scans / "broken.ply").write_text("ply\nnothing")
        monkeypatch.chdir(scans.parent)
        out = tmp_path / place / "out"
        run(in_folder(scans.relative_to(scans.parent) if made else scans, Settings(), out), out, InlinePool)
        made.append(tree(out))
    assert made[0] == made[1]
    assert b'"error": "broken.ply: ' in made[0]["site.json"]

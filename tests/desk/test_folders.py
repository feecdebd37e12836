"""Jobs as plain folders: whole settings, one writer at a time, names from here only."""

import io
import json
import os
import threading
from dataclasses import replace

import pytest
from werkzeug.datastructures import FileStorage

from flatscan.core.errors import BadTable, OutputError, ReadError
from flatscan.desk import plans
from flatscan.desk.arriving import arrive
from flatscan.desk.folders import Jobs, OtherTab, write_through
from flatscan.jobs.plan_file import load_plan


def test_settings_come_back_as_they_were_kept(tmp_path):
    jobs = Jobs(tmp_path / "walls")
    job = jobs.new("kitchen, left of the door", "mm")
    job = jobs.keep(job.name, job.revision, lambda s: s.update(kind="laser"), lambda plan: replace(plan, least=0.006))
    again = Jobs(tmp_path / "walls").get("wall-001")
    assert (again.title, again.settings["kind"], again.plan.least) == ("kitchen, left of the door", "laser", 0.006)
    assert again.revision == job.revision != Jobs(tmp_path / "walls").new("", "mm").revision


def test_a_change_on_an_old_revision_is_refused_and_changes_nothing(tmp_path):
    jobs = Jobs(tmp_path)
    job = jobs.new("", "mm")
    jobs.keep(job.name, job.revision, lambda s: s.update(title="first tab"))
    with pytest.raises(OtherTab, match="changed in another window"):
        jobs.keep(job.name, job.revision, lambda s: s.update(title="second tab"))
    assert jobs.get(job.name).title == "first tab"


def test_of_many_writers_on_one_revision_one_wins(tmp_path):
    jobs = Jobs(tmp_path)
    job, refused = jobs.new("", "mm"), []

    def write(number):
        try:
            jobs.keep(job.name, job.revision, lambda s: s.update(title=str(number)))
        except OtherTab:
            refused.append(number)

    threads = [threading.Thread(target=write, args=(k,)) for k in range(16)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(refused) == 15
    assert jobs.get(job.name).settings["revision"] == job.settings["revision"] + 1


def test_a_write_that_breaks_off_leaves_the_old_settings(tmp_path, monkeypatch):
    job = Jobs(tmp_path).new("as it was", "mm")
    path = job.folder / "settings.json"
    before = path.read_bytes()

    def full(_descriptor):
        raise OSError(28, "No space left on device")

    # the disk says so when the last of it is written
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="no space left"):
        write_through(path, b"{half of it")
    with pytest.raises(OutputError, match="no space left"):
        arrive(job.folder, [FileStorage(io.BytesIO(b"0 0 0"), "scan.xyz")], 10**6)
    assert path.read_bytes() == before
    assert [p.name for p in job.folder.iterdir()] == ["settings.json"]


@pytest.mark.parametrize(
    "name", ["..", "../wall-001", "wall-1", "wall-٠٠١", "wall-001/..", "", "WALL-001", "wall-001\n"]
)
def test_names_that_are_none_of_ours(tmp_path, name):
    jobs = Jobs(tmp_path / "walls")
    jobs.new("", "mm")
    with pytest.raises(ReadError, match="no such wall"):
        jobs.get(name)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "null",
        '{"schema": 2, "revision": 1}',
        '{"schema": 1, "revision": "1"}',
        "[" * 100_000,
        '{"schema": 1, "revision": 1, "answers": {"least": 6}}',
        '{"schema": 1, "revision": 1, "fixed": [[1, 2]]}',
        '{"schema": 1, "revision": 1, "readings": {"width": 2}}',
    ],
)
def test_settings_that_were_damaged_stop_one_wall_and_not_the_list(tmp_path, text):
    jobs = Jobs(tmp_path)
    jobs.new("whole", "mm")
    broken = jobs.new("broken", "mm")
    (broken.folder / "settings.json").write_text(text)
    with pytest.raises(ReadError, match="cannot be read|written by a newer version"):
        jobs.get(broken.name)
    assert [job.title for job in jobs.all()] == ["whole"]


def test_settings_of_an_older_page_lack_nothing(tmp_path):
    jobs = Jobs(tmp_path)
    job = jobs.new("", "in")
    (job.folder / "settings.json").write_text(json.dumps({"schema": 1, "revision": 7, "title": "old"}))
    assert jobs.get(job.name).settings["fixed"] == []


def test_the_answers_of_a_page_without_plans_become_the_plan(tmp_path):
    jobs = Jobs(tmp_path)
    job = jobs.new("", "mm")
    held = {"purpose": "hand-over", "rule": "2 m", "limit": "3 stone", "face": "lean", "surface": "dont-know"}
    old = {"schema": 1, "revision": 7, "answers": held, "fixed": [[0.4, 1.0, 0.025]], "cut": [[1.0, 2.0]]}
    (job.folder / "settings.json").write_text(json.dumps(old))
    job = jobs.get(job.name)
    assert (job.plan.stage, job.plan.rule, job.plan.limit, job.plan.lean_up_to) == ("hand-over", 2.0, None, 3.0)
    assert job.plan.fix == ((0.4, 1.0, 0.025, 0.0, True),)
    # only a change writes it down
    assert not (job.folder / "plan.toml").exists()
    kept = jobs.keep(job.name, job.revision, replan=lambda plan: replace(plan, least=0.006))
    assert load_plan(job.folder / "plan.toml") == kept.plan == replace(job.plan, least=0.006)
    assert jobs.get(job.name).settings["answers"] == {}


def test_a_plan_edited_by_hand_is_taken_up_and_keeps_its_remarks(tmp_path):
    jobs = Jobs(tmp_path)
    job = jobs.new("", "mm")
    opened = jobs.keep(job.name, job.revision, replan=lambda plan: replace(plan, least=0.006))
    path = job.folder / "plan.toml"
    path.write_text(path.read_text() + '# the client wants it\nmost = "20 mm" # at most\nlaser = "115 mm"\n')
    assert jobs.get(job.name).plan.most == pytest.approx(0.02)
    # a page opened before that does not write over it
    with pytest.raises(OtherTab, match="in its folder"):
        jobs.keep(job.name, opened.revision, replan=lambda plan: replace(plan, strip=0.008))
    now = jobs.get(job.name)
    kept = jobs.keep(job.name, now.revision, replan=lambda plan: replace(plan, strip=0.008))
    assert path.read_text().splitlines()[-4:-1] == [
        "# the client wants it",
        'most = "20 mm" # at most',
        'laser = "115 mm"',
    ]
    assert load_plan(path) == kept.plan == replace(now.plan, strip=0.008)


def test_changes_are_taken_back_and_made_again(tmp_path):
    jobs = Jobs(tmp_path)
    job = jobs.new("", "mm")
    path = job.folder / "plan.toml"
    for limit in (0.003, 0.004):
        job = jobs.keep(job.name, job.revision, replan=lambda plan, limit=limit: replace(plan, limit=limit))
    for typed in (0.001, 0.012):
        change = lambda plan, typed=typed: replace(plan, least=typed)  # noqa: E731
        job = jobs.keep(job.name, job.revision, replan=change, typed=True)
    by_hand = path.read_text() + "# mine\n"
    path.write_text(by_hand)

    def move(way):
        return jobs.put_plan(job.name, jobs.get(job.name).revision, lambda job: way(job.settings, job.text))

    assert plans.way_back(jobs.get(job.name).settings, by_hand) == "by-hand"
    said = [(one.plan.limit, one.plan.least) for one in (move(plans.back) for _ in range(3))]
    assert said == [(0.004, 0.012), (0.004, None), (0.003, None)]
    said = [(one.plan.limit, one.plan.least) for one in (move(plans.forth) for _ in range(3))]
    assert said == [(0.004, None), (0.004, 0.012), (0.004, 0.012)]
    assert path.read_text() == by_hand
    with pytest.raises(ReadError, match="nothing was taken back"):
        move(plans.forth)


def test_a_broken_plan_is_told_by_its_line_and_set_back(tmp_path):
    jobs = Jobs(tmp_path)
    job = jobs.new("", "mm")
    job = jobs.keep(job.name, job.revision, replan=lambda plan: replace(plan, least=0.006))
    path = job.folder / "plan.toml"
    whole = path.read_text()
    path.write_text(whole + 'colour = "white"\n')
    job = jobs.get(job.name)
    assert job.broken is not None
    assert job.broken.where.endswith("plan.toml, line 3")
    with pytest.raises(BadTable, match="colour"):
        jobs.keep(job.name, job.revision, replan=lambda plan: plan)
    # readings go on: they are no part of the plan
    job = jobs.keep(job.name, job.revision, lambda s: s.update(kind="laser"))
    job = jobs.put_plan(job.name, job.revision, lambda job: plans.back(job.settings, job.text))
    assert (job.broken, path.read_text()) == (None, whole)


@pytest.mark.parametrize("line", ['rates = "/etc/passwd"', 'tie = "../other/readings.csv"', 'repeats = ["gone.ply"]'])
def test_a_plan_names_files_of_its_own_folder_only(tmp_path, line):
    job = Jobs(tmp_path).new("", "mm")
    (job.folder / "plan.toml").write_text(line)
    with pytest.raises(ReadError, match="beside it|elsewhere"):
        _ = Jobs(tmp_path).get(job.name).plan


def test_numbers_go_on_after_the_highest(tmp_path):
    jobs = Jobs(tmp_path)
    (tmp_path / "wall-041").mkdir()
    (tmp_path / "holiday photos").mkdir()
    assert jobs.new("", "mm").name == "wall-042"


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="needs a folder that may not be written")
def test_a_folder_that_may_not_be_written(tmp_path):
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(OutputError, match="cannot be written"):
            Jobs(tmp_path / "walls")
    finally:
        tmp_path.chmod(0o700)


def test_a_file_where_the_folder_should_be(tmp_path):
    (tmp_path / "walls").write_text("")
    with pytest.raises(OutputError, match="cannot be written"):
        Jobs(tmp_path / "walls")

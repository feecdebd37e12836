"""Jobs as plain folders: whole settings, one writer at a time, names from here only."""

import json
import os
import threading

import pytest

from flatscan.core.errors import OutputError, ReadError
from flatscan.desk.folders import Jobs, OtherTab, write_stream


def test_settings_come_back_as_they_were_kept(tmp_path):
    jobs = Jobs(tmp_path / "walls")
    job = jobs.new("kitchen, left of the door", "mm")
    job = jobs.keep(job.name, job.revision, lambda s: s["answers"].update(least="6 mm"))
    again = Jobs(tmp_path / "walls").get("wall-001")
    assert (again.title, again.settings["answers"]) == ("kitchen, left of the door", {"least": "6 mm"})
    assert again.revision == job.revision == 2


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
    assert jobs.get(job.name).revision == job.revision + 1


def test_a_write_that_breaks_off_leaves_the_old_settings(tmp_path):
    job = Jobs(tmp_path).new("as it was", "mm")
    path = job.folder / "settings.json"
    before = path.read_bytes()

    def breaks(stream):
        stream.write(b"{half of it")
        raise OSError(28, "No space left on device")

    with pytest.raises(OutputError, match="no space left"):
        write_stream(path, breaks)
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
    with pytest.raises(ReadError, match="cannot be read"):
        jobs.get(broken.name)
    assert [job.title for job in jobs.all()] == ["whole"]


def test_settings_of_an_older_page_lack_nothing(tmp_path):
    jobs = Jobs(tmp_path)
    job = jobs.new("", "in")
    (job.folder / "settings.json").write_text(json.dumps({"schema": 1, "revision": 7, "title": "old"}))
    assert jobs.get(job.name).settings["fixed"] == []


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

"""What captures leave open is asked in one table, the rest goes on, and a rerun takes the answers."""

import csv
import json
import re
from dataclasses import dataclass

import numpy as np
import pytest
from PIL import Image
from site_builders import InlinePool, grid_text

from flatscan import cli
from flatscan.core.errors import BadTable
from flatscan.site import run
from flatscan.site.job import Settings, in_folder
from flatscan.site.left_open import ANSWERS, Answer, options_of, read_answers

HEAD = "file,setting,answer\n"


def bare_wall(path, away=3.0, unit=1.0):
    """One wall and nothing beside it: either of two axes may be up, and far from the zero point no side is known."""
    rng = np.random.default_rng(5)
    x, z = rng.uniform(0, 3.1, 8000), rng.uniform(0, 2.5, 8000)
    y = 0.004 * np.sin(3 * x) + rng.normal(0, 0.001, 8000)
    path.parent.mkdir(parents=True, exist_ok=True)
    np.savetxt(path, (np.column_stack([x, y, z]) + [2.0, away, 0.0]) * unit, fmt="%.4f")


@pytest.fixture
def scans(tmp_path):
    bare_wall(tmp_path / "scans" / "flat" / "north.xyz", away=30.0)
    (tmp_path / "scans" / "east.csv").write_text(grid_text())
    return tmp_path / "scans"


@dataclass
class Did:
    exit_code: int
    stderr: str


@pytest.fixture
def do(capsys):
    def flatscan(*words):
        code = cli.run(["site", *map(str, words), "--formats", "json", "--jobs", "1"])
        return Did(code, capsys.readouterr().err)

    return flatscan


def table(out):
    with (out / ANSWERS).open(newline="") as stream:
        return list(csv.DictReader(stream))


def fill(out, **answers):
    """Write answers into the table as a spreadsheet of some countries saves it."""
    rows = table(out)
    for row in rows:
        row["answer"] = answers.get(row["setting"].replace("-", "_"), row["answer"])
    with (out / ANSWERS).open("w", newline="") as stream:
        writer = csv.DictWriter(stream, rows[0].keys(), delimiter=";")
        writer.writeheader()
        writer.writerows(rows)


def test_asked_answered_and_asked_on_until_the_wall_is_measured(scans, tmp_path, do):
    out = tmp_path / "out"
    first = do(scans, "--out", out)
    assert first.exit_code == 1
    assert "1 capture waits for an answer: write it into answers.csv" in first.stderr
    assert (out / "walls" / "east" / "site-result.json").is_file()
    (row,) = table(out)
    assert (row["file"], row["setting"], row["answer"]) == ("flat/north.xyz", "up", "")
    assert row["proposals"] == "x; z; -x; -z"
    shown = row["pictures"].split("; ")
    assert shown == [f"questions/flat-north-up-{way}.png" for way in ("x", "z", "minus-x", "minus-z")]
    for picture in shown:
        with Image.open(out / picture) as image:
            assert image.size[0] <= 640
            assert np.ptp(np.asarray(image)) > 100
    assert 'src="questions/flat-north-up-z.png"' in (out / "site.html").read_text()

    fill(out, up="z")
    second = do(scans, "--out", out)
    assert second.exit_code == 1
    given, asked = table(out)
    assert (given["setting"], given["answer"]) == ("up", "z")
    assert (asked["setting"], asked["answer"]) == ("seen-from", "")
    assert len(asked["proposals"].split("; ")) == 2

    fill(out, up="z", seen_from=asked["proposals"].split("; ")[0])
    last = do(scans, "--out", out)
    assert last.exit_code == 0, last.stderr
    assert "waits for an answer" not in last.stderr
    assert (out / "walls" / "flat-north" / "site-result.json").is_file()
    assert [row["setting"] for row in table(out)] == ["up", "seen-from"]
    assert not (out / "questions").exists()
    assert do(scans, "--out", out).exit_code == 0
    assert all(row["answer"] for row in table(out))


def test_a_list_takes_answers_beside_its_own_options(tmp_path, do):
    bare_wall(tmp_path / "north.xyz")
    (tmp_path / "list.csv").write_text("wall,file,options\nnorth,north.xyz,--least 8mm\n")
    out = tmp_path / "out"
    out.mkdir()
    (out / ANSWERS).write_text(HEAD + "north.xyz,up,z\nnorth.xyz,seen-from,\n")
    found = do(tmp_path / "list.csv", "--out", out)
    assert found.exit_code == 0, found.stderr
    document = json.loads((out / "walls" / "north" / "site-result.json").read_text())
    assert {"up", "least"} <= {one["name"] for one in document["settings"]}


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("flat/north.xyz,colour,red", r"line 2: the setting 'colour'; needed: one of file-unit, up"),
        ("flat/north.xyz,up,sideways", r"line 2: .*sideways"),
        ('flat/north.xyz,seen-from,"1,2"', r"line 2: .*'1,2'; needed: 3 numbers"),
        (",up,z", r"line 2: no file"),
    ],
)
def test_an_answer_that_is_none_is_told_with_its_line_before_any_work(scans, tmp_path, line, words, do):
    out = tmp_path / "out"
    out.mkdir()
    (out / ANSWERS).write_text(HEAD + line + "\n")
    found = do(scans, "--out", out)
    assert found.exit_code == 1
    assert "Traceback" not in found.stderr
    assert found.stderr.startswith("flatscan: ")
    assert re.search(words, found.stderr), found.stderr
    assert not (out / "walls").exists()


def test_signs_that_a_spreadsheet_takes_for_a_sum(tmp_path):
    (tmp_path / ANSWERS).write_text(HEAD + 'a.xyz,up,\'-z\na.xyz,Seen_From,"-1,2,3"\nb.xyz,crop,\n')
    answers = read_answers(tmp_path)
    assert answers == (Answer(2, "a.xyz", "up", "-z"), Answer(3, "a.xyz", "seen-from", "-1,2,3"))
    assert options_of(answers) == "--up=-z --seen-from=-1,2,3"
    (tmp_path / ANSWERS).write_bytes(b"\xff\xfe\x00\x00")
    with pytest.raises(BadTable):
        read_answers(tmp_path)


def test_answers_about_files_that_are_not_there_are_not_lost(scans, tmp_path):
    out = tmp_path / "out"
    pool = InlinePool()
    gone = (Answer(2, "flat/gone.xyz", "up", "-z"),)
    found = run(in_folder(scans, Settings(), out), out, lambda: pool, answers=gone)
    rows = [(row["file"], row["setting"], row["answer"]) for row in table(out)]
    assert rows == [("flat/north.xyz", "up", ""), ("flat/gone.xyz", "up", "'-z")]
    assert [row["file"] for row in found.document["questions"]] == ["flat/north.xyz", "flat/gone.xyz"]


def test_results_of_a_capture_that_is_gone_are_kept_aside_and_never_replaced(tmp_path, do):
    scans, out = tmp_path / "scans", tmp_path / "out"
    scans.mkdir()
    (scans / "south.csv").write_text(grid_text(2))
    for number in (1, 2):
        (scans / "east.csv").write_text(grid_text(number))
        assert do(scans, "--out", out).exit_code == 0
        sheet = (out / "walls" / "east" / "site-result.json").read_bytes()
        (scans / "east.csv").unlink()
        gone = do(scans, "--out", out)
        name = "east" if number == 1 else "east-2"
        assert f"1 result in the folder kept ({name})" in " ".join(gone.stderr.split())
        assert (out / "kept" / name / "site-result.json").read_bytes() == sheet
    assert not (out / "walls" / "east").exists()
    assert "kept" in (out / "site.html").read_text()
    assert do(scans, "--out", out, "--overwrite").exit_code == 0
    assert sorted(path.name for path in (out / "kept").iterdir()) == ["east", "east-2"]

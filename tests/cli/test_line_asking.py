"""The questions of ``flatscan line --ask`` as somebody at a terminal answers them, wrong answers included."""

import io
import os
import pty
import tomllib

import pytest

from flatscan.capture.lines.line_setup import read_setup
from flatscan.cli import run

TAPED = [
    "hall", "wide", "4,2", "2.5 m",                    # name, no width, width, height
    "", "no.json", "camera.json",                      # no plane; a lens that is not there, then one that is
    "0.8", "1.1 m", "", "17 3/4 in",                   # pivot: x, height, distance (first left empty)
    "a4", "120 mm",                                    # size of a target
    "0", "0.6", "0.2", "1", "1.6", "12 cm", "", "3", "3.3", "25cm", "4", "3.4", "1.2", "",
    "on.png", "off.png", "2.0 m", "no",
]  # fmt: skip


@pytest.fixture
def terminal(monkeypatch):
    """A pseudo-terminal for standard input, and what types into it."""
    master, slave = pty.openpty()
    with os.fdopen(slave, encoding="utf-8") as stream:
        monkeypatch.setattr("sys.stdin", stream)
        yield lambda answers: os.write(master, "".join(f"{answer}\n" for answer in answers).encode())
    os.close(master)


@pytest.fixture
def folder(tmp_path):
    for name in ("camera.json", "on.png", "off.png"):
        (tmp_path / name).write_bytes(b"")
    return tmp_path


def test_answers_become_a_set_up_that_is_read(folder, terminal, monkeypatch, capsys):
    monkeypatch.chdir(folder)
    terminal(TAPED)
    assert run(["line", "--ask"]) == 0
    shown = capsys.readouterr().err
    for words in ("From above", "pivot", "'wide' is no length", "no file no.json",
                  "This one is needed.", "'a4' is no length", "4 are needed, and 2 are told.",
                  "Written to line.toml. Now: flatscan line line.toml"):  # fmt: skip
        assert words in shown
    setup = read_setup(folder / "line.toml")
    assert setup.name == "hall"
    assert (setup.width, setup.height) == (4.2, 2.5)
    assert setup.camera_file == folder / "camera.json"
    assert setup.lines[0].pivot.round(5).tolist() == [0.8, 1.1, 0.45085]
    assert setup.target_size == pytest.approx(0.12)
    assert {number: place.round(6).tolist() for number, place in setup.targets.items()} == {
        0: [0.6, 0.2], 1: [1.6, 0.12], 3: [3.3, 0.25], 4: [3.4, 1.2],
    }  # fmt: skip
    assert (setup.lines[0].on.name, setup.lines[0].off.name, setup.lines[0].at) == ("on.png", "off.png", 2.0)


def test_where_nobody_can_answer_it_says_so(folder, monkeypatch, capsys):
    monkeypatch.chdir(folder)
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    assert run(["line", "--ask"]) == 2
    assert "nobody is there to answer: its input is no terminal" in capsys.readouterr().err.replace("\n", " ")
    (folder / "line.toml").write_text("mine")
    assert run(["line", "--ask"]) == 1
    assert "line.toml: it exists already" in capsys.readouterr().err
    assert run(["line", "--ask", "on.png", "--setup", "new.toml"]) == 2
    assert "Pictures come in pairs" in capsys.readouterr().err


class Terminal:
    def isatty(self):
        return True


def answered(monkeypatch, answers):
    left = iter(answers)
    monkeypatch.setattr("sys.stdin", Terminal())
    monkeypatch.setattr("click.prompt", lambda *_, **__: next(left))
    return left


def test_a_calibrated_laser_and_named_photos_ask_less(folder, monkeypatch):
    monkeypatch.chdir(folder)
    (folder / "laser.json").write_bytes(b"")
    places = [answer for number in "0235" for answer in (number, f"0.{number}", "1 m")]
    left = answered(monkeypatch, ["", "", "", "laser.json", "120 mm", *places, ""])
    assert run(["line", "--ask", "on.png", "off.png", "--setup", "new.toml", "--quiet"]) == 0
    assert next(left, None) is None
    made = tomllib.loads((folder / "new.toml").read_text())
    assert made["laser"] == {"plane": "laser.json"}
    assert made["line"] == [{"on": "on.png", "off": "off.png"}]
    assert "camera" not in made


def test_a_photo_that_is_not_there_is_said_before_anything_is_asked(folder, monkeypatch, capsys):
    monkeypatch.chdir(folder)
    answered(monkeypatch, [])
    assert run(["line", "--ask", "on.png", "lost.png"]) == 2
    assert "There is no file lost.png" in capsys.readouterr().err
    assert not (folder / "line.toml").exists()

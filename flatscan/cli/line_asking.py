"""The set-up of laser-line photos asked in words, one question at a time on a terminal, and written as a file."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import click

from flatscan.cli.speaking import words

DRAWING = """
  From above                              Facing the wall

  ====wall========#=========wall====      +----------- width -----------+
                 /  \\                     | [0]          #          [1] |
    distance   /      \\                   |              #              |
      |      /          \\                 | [2]          # light    [3] | height
      |    /              \\               |              #              |
     laser                 camera         | [4]          #          [5] |
     (its pivot)                          +-----------------------------+
                                          0,0: left edge, lowest edge

  x is along the wall from its left edge. Height is up from its lowest edge.
  The pivot is the place in the laser that its light comes from.
  Light at a slant of 15 to 35 degrees; laser and camera on either side of it.
  Targets [0] to [5]: printed, flat on the wall, all around; tape the middle of each.
"""
_LENGTHS = "such as 2.4 m, 240 cm or 7ft10in"
_ENOUGH = 4


@dataclass
class Asked:
    """Answers so far, as lines of the file."""

    folder: Path
    lines: list[str] = field(default_factory=list)

    def table(self, name: str) -> None:
        """Begin a table."""
        self.lines += ["", name] if self.lines else [name]

    def put(self, key: str, value: str) -> None:
        """One entry, its value as TOML writes it."""
        self.lines.append(f"{key} = {value}")

    def text(self) -> str:
        """The file."""
        return "\n".join(self.lines) + "\n"


def ask_setup(path: Path, photos: tuple[tuple[str, str], ...]) -> str:
    """The text of a set-up file at ``path`` after its questions; raises `click.UsageError` where nobody can answer.

    ``photos`` are pairs, laser on and laser off (or empty), and asked for where there are none.
    """
    for one in (one for pair in photos for one in pair if one):
        try:
            _file(path.parent)(one)
        except ValueError as wrong:
            raise click.UsageError(str(wrong)) from None
    if not sys.stdin.isatty():
        raise click.UsageError(
            "--ask puts questions, and nobody is there to answer: its input is no terminal. Run it in a terminal, or "
            "write the set-up file by hand as the README shows."
        )
    words(DRAWING)
    words(f"The set-up goes into {path}. An empty answer leaves a question open where that is said.")
    asked = Asked(path.parent)
    _wall(asked)
    _laser(asked)
    _targets(asked)
    _lines(asked, photos)
    return asked.text()


def _wall(asked: Asked) -> None:
    name = _ask("What is the wall called? (may be empty)", _any)
    sizes = {
        key: _ask(f"How {how} is the wall, {_LENGTHS}? (may be empty)", _length)
        for key, how in (("width", "wide"), ("height", "high"))
    }
    asked.table("[wall]")
    for key, value in {"name": json.dumps(name), **sizes}.items():
        if value and value != '""':
            asked.put(key, value)


def _laser(asked: Asked) -> None:
    """The lens and the laser: calibrated together, or a lens and a taped pivot."""
    file = _file(asked.folder)
    plane = _ask("Which file holds the laser's plane, such as laser.json? (empty: the laser was taped)", file)
    if plane:
        asked.table("[laser]")
        asked.put("plane", plane)
        return
    lens = _ask("Which file holds the lens, such as camera.json? (empty: tape where the camera stands)", file)
    asked.table("[camera]")
    if lens:
        asked.put("file", lens)
    else:
        asked.put("place", _place("camera", ("x", "height", "distance from the wall")))
    pivot = _place("laser's pivot", ("x", "height", "distance from the wall"))
    asked.table("[laser]")
    asked.put("pivot", pivot)


def _targets(asked: Asked) -> None:
    size = _ask("How wide is the black square of a target, as measured on the paper?", _needed(_length))
    places: dict[str, str] = {}
    while True:
        enough = "empty: that was all" if len(places) >= _ENOUGH else f"at least {_ENOUGH}, better 8"
        number = _ask(f"Which target, by the number printed on it? ({enough})", _number)
        if not number and len(places) >= _ENOUGH:
            break
        if not number:
            words(f"{_ENOUGH} are needed, and {len(places)} are told.")
            continue
        places[number] = _place(f"middle of target {number}", ("x", "height"))
    asked.table("[targets]")
    asked.put("size", size)
    asked.table("[targets.at]")
    for number, place in places.items():
        asked.put(number, place)


def _lines(asked: Asked, photos: tuple[tuple[str, str], ...]) -> None:
    """A line a pair of photos; those that are named are not asked for again."""
    file = _file(asked.folder)
    pairs, named = list(photos) or [("", "")], bool(photos)
    plane = any(line.startswith("plane = ") for line in asked.lines)
    while pairs:
        on, off = pairs.pop(0)
        first = file(on) if named else _ask("Which photo shows the wall with the laser on?", _needed(file))
        second = file(off) if named else _ask("Which photo shows it with the laser off? (may be empty)", file)
        asked.table("[[line]]")
        asked.put("on", first)
        if second:
            asked.put("off", second)
        if not plane:
            at = _ask(f"{on or 'This line'}: at which x is the light on the wall? (empty: straightness only)", _length)
            if at:
                asked.put("at", at)
        if not pairs and not named and _ask("Is there another line? (yes or no)", _yes) == "yes":
            pairs.append(("", ""))


def _ask(question: str, check: Callable[[str], str]) -> str:
    """An answer that passes; one that does not is said, and asked for again."""
    while True:
        answer = str(click.prompt(question, default="", show_default=False, prompt_suffix=" ", err=True)).strip()
        try:
            return check(answer)
        except ValueError as wrong:
            words(f"  {wrong}")


def _place(what: str, parts: tuple[str, ...]) -> str:
    """Lengths of a place, each asked by itself, as TOML."""
    return "[" + ", ".join(_ask(f"The {what}: {part}?", _needed(_length)) for part in parts) + "]"


def _any(answer: str) -> str:
    return answer


def _yes(answer: str) -> str:
    if answer.lower() not in ("y", "yes", "n", "no", ""):
        raise ValueError("Say yes or no.")
    return "yes" if answer.lower().startswith("y") else "no"


def _number(answer: str) -> str:
    if answer and not (answer.isdigit() and len(answer) <= 2):
        raise ValueError(f"'{answer}' is no number of a target, 0 to 49.")
    return answer and str(int(answer))


def _length(answer: str) -> str:
    """A length as TOML, in millimetres; a bare number is in metres, and said so by what is written."""
    from flatscan.core.errors import BadValue
    from flatscan.core.typed import parse_place

    if not answer:
        return ""
    try:
        value = parse_place(answer)
    except (BadValue, ValueError, ZeroDivisionError):
        raise ValueError(f"'{answer}' is no length. Write it {_LENGTHS}.") from None
    return json.dumps(f"{value * 1000:.10g} mm")


def _needed(check: Callable[[str], str]) -> Callable[[str], str]:
    def checked(answer: str) -> str:
        if not answer:
            raise ValueError("This one is needed.")
        return check(answer)

    return checked


def _file(folder: Path) -> Callable[[str], str]:
    """A check that an answer names a file beside the set-up."""

    def checked(answer: str) -> str:
        if answer and not (folder / answer).is_file():
            raise ValueError(f"There is no file {answer} in {folder.absolute()}.")
        if answer and (Path(answer).is_absolute() or ".." in Path(answer).parts):
            raise ValueError("Name a file in the folder of the set-up, or below it.")
        return json.dumps(answer) if answer else ""

    return checked

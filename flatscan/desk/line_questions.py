"""What photos or a video of laser lines are asked for: the questions, what answers them, and the set-up file they make.

One after the other on a terminal (``flatscan line --ask``), all on one page of the desk.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePath

from flatscan.core.errors import BadValue
from flatscan.core.typed import parse_length, parse_place

ENOUGH, MOST_TARGET = 4, 49
OPEN = "may be empty"
EXAMPLE = "such as 2.4 m, 240 cm or 7ft10in"


@dataclass(frozen=True, slots=True)
class Asked:
    """One question: ``kind`` is words, length, size (more than nothing), number or file.

    ``empty`` says what no answer means, "" where one is needed.
    """

    name: str
    ask: str
    kind: str = "length"
    empty: str = ""


def _place(name: str, what: str, parts: Sequence[str]) -> tuple[Asked, ...]:
    return tuple(Asked(f"{name}-{i}", f"The {what}: {part}?") for i, part in enumerate(parts))


_AWAY = ("x", "height", "distance from the wall")
NAME = Asked("name", "What is the wall called?", "words", OPEN)
WIDTH = Asked("width", "How wide is the wall?", "size", OPEN)
HEIGHT = Asked("height", "How high is the wall?", "size", OPEN)
PLANE = Asked("plane", "Which file holds the laser's plane, such as laser.json?", "file", "empty: the laser was taped")
LENS = Asked("lens", "Which file holds the lens, such as camera.json?", "file", "empty: tape where the camera stands")
CAMERA, PIVOT = _place("camera", "camera", _AWAY), _place("pivot", "laser's pivot", _AWAY)
SIZE = Asked("size", "How wide is the black square of a target, as measured on the paper?", "size")
TARGET = Asked("target", "Which target, by the number printed on it?", "number")
ON = Asked("on", "Which photo shows the wall with the laser on?", "file")
OFF = Asked("off", "Which photo shows it with the laser off?", "file", OPEN)
AT = Asked("at", "At which x is the light on the wall?", empty="empty: straightness only")
VIDEOS = (".mp4", ".mov", ".avi", ".mkv", ".webm")
STRIPS = {
    "foot": "The straight strip across the wall's foot",
    "head": "The straight strip across its head",
}
STRIP = (
    Asked("broad", "how broad is its face?", "size"),
    Asked("up", "at what height is its middle? With a minus below the wall's lowest edge"),
    Asked("off", "how far does its face stand off the targets' plane?"),
    Asked("left", "at which x does it begin?"),
    Asked("right", "at which x does it end?"),
)


def is_video(name: str) -> bool:
    """Whether a file is a video by its name."""
    return PurePath(name).suffix.lower() in VIDEOS


def strip_name(strip: str, asked: Asked) -> str:
    """The name of a question about one of the two strips."""
    return f"{strip}-{asked.name}"


def place_of(target: int | str) -> tuple[Asked, ...]:
    """The questions for a target's middle."""
    return _place(f"target-{target}", f"middle of target {target}", ("x", "height"))


def checked(asked: Asked, answer: str, files: Collection[str] = (), *, bare: bool = False) -> str:
    """The answer as TOML, "" for none; raises `ValueError` with words for one that cannot be.

    ``files`` are those beside the set-up; with ``bare`` a number without a unit is in metres.
    """
    answer = answer.strip()
    if not answer:
        if not asked.empty:
            raise ValueError("This one is needed.")
        return ""
    checks: dict[str, Callable[[str], str]] = {
        "words": json.dumps,
        "length": lambda text: _length(text, bare=bare),
        "size": lambda text: _length(text, bare=bare, size=True),
        "number": _number,
        "file": lambda text: _file(text, files),
    }
    return checks[asked.kind](answer)


def _length(answer: str, *, bare: bool, size: bool = False) -> str:
    try:
        metres = parse_place(answer) if bare else parse_length(answer)
    except (BadValue, ValueError, ZeroDivisionError):
        raise ValueError(f"'{answer}' is no length. Write it {EXAMPLE}.") from None
    if size and metres <= 0:
        raise ValueError(f"'{answer}' is no size: it has to be more than nothing.")
    return json.dumps(f"{metres * 1000:.10g} mm")


def _number(answer: str) -> str:
    if not (answer.isascii() and answer.isdigit() and int(answer) <= MOST_TARGET):
        raise ValueError(f"'{answer}' is no number of a target, 0 to {MOST_TARGET}.")
    return str(int(answer))


def _file(answer: str, files: Collection[str]) -> str:
    if answer not in files:
        raise ValueError(f"There is no file {answer} beside the photos.")
    return json.dumps(answer)


@dataclass(frozen=True, slots=True)
class Line:
    """One line: its photos with the laser on and off ("": none), and where its light is on the wall, as TOML."""

    on: str
    off: str = ""
    at: str = ""


def setup_text(
    values: Mapping[str, str], targets: Mapping[str, Sequence[str]], lines: Sequence[Line], video: str = ""
) -> str:
    """The set-up file of answers that passed: ``values`` by their questions' names, as TOML, "" for none.

    ``targets`` are places by number; a ``video`` is swept over strips, in place of ``lines``.
    """
    made = ["[wall]", *(f"{one} = {values[one]}" for one in ("name", "width", "height") if values.get(one))]
    if values.get("plane"):
        made += ["", "[laser]", f"plane = {values['plane']}"]
    else:
        lens = f"file = {values['lens']}" if values.get("lens") else f"place = {_joined(values, CAMERA)}"
        made += ["", "[camera]", lens, "", "[laser]", f"pivot = {_joined(values, PIVOT)}"]
    made += ["", "[targets]", f"size = {values['size']}", "", "[targets.at]"]
    made += [f"{number} = [{', '.join(place)}]" for number, place in targets.items()]
    for line in lines:
        made += ["", "[[line]]", f"on = {line.on}"]
        made += [f"{name} = {value}" for name, value in (("off", line.off), ("at", line.at)) if value]
    if video:
        for strip in STRIPS:
            broad, up, off, left, right = (values[strip_name(strip, one)] for one in STRIP)
            ends = ", ".join(f"[{x}, {up}, {off}]" for x in (left, right))
            made += ["", "[[reference]]", f"width = {broad}", f"at = [{ends}]"]
        made += ["", "[[sweep]]", f"video = {video}"]
    return "\n".join(made) + "\n"


def _joined(values: Mapping[str, str], place: Sequence[Asked]) -> str:
    return "[" + ", ".join(values[one.name] for one in place) + "]"

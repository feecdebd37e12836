"""The set-up of laser-line photos asked in words, one question at a time on a terminal, and written as a file."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from pathlib import Path, PurePath

import click

from flatscan.cli.speaking import words
from flatscan.desk import line_questions as asking
from flatscan.desk.line_questions import Asked, Line, checked, is_video, setup_text

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
_STRIPS = """
  For a swept video, two straight strips on the wall, so that every line crosses both:

  =================================  head strip
  |      # light that turns       |
  =================================  foot strip
"""
Values = dict[str, str]


def ask_setup(path: Path, photos: tuple[tuple[str, str], ...]) -> str:
    """The text of a set-up file at ``path`` after its questions; raises `click.UsageError` where nobody can answer.

    ``photos`` are pairs, laser on and laser off (or empty), and asked for where there are none; a video stands alone.
    """
    named = [one for pair in photos for one in pair if one]
    for photo in named:
        if not _beside(path.parent, photo):
            raise click.UsageError(f"There is no file {photo} in {path.parent.absolute()}.")
    if not sys.stdin.isatty():
        raise click.UsageError(
            "--ask puts questions, and nobody is there to answer: its input is no terminal. Run it in a terminal, or "
            "write the set-up file by hand as the README shows."
        )
    video = named[0] if len(named) == 1 and is_video(named[0]) else ""
    words(DRAWING + (_STRIPS if video else ""))
    words(f"The set-up goes into {path}. An empty answer leaves a question open where that is said.")
    put = _Asker(path.parent)
    values = {one.name: put(one, more=f", {asking.EXAMPLE}" * (one.kind == "size")) for one in _wall(video)}
    _laser(put, values, video)
    targets = _targets(put, values)
    if video:
        for strip, said in asking.STRIPS.items():
            for part in asking.STRIP:
                values[asking.strip_name(strip, part)] = put(part, before=f"{said}: ")
    lines = [] if video else _lines(put, photos, plane=bool(values["plane"]))
    return setup_text(values, targets, lines, put.checked(asking.ON, video) if video else "")


def _beside(folder: Path, name: str) -> bool:
    inside = not PurePath(name).is_absolute() and ".." not in PurePath(name).parts
    return inside and (folder / name).is_file()


class _Asker:
    """Puts questions about files in ``folder`` until their answers pass."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __call__(self, asked: Asked, *, before: str = "", more: str = "", empty: str | None = None) -> str:
        said = asked.empty if empty is None else empty
        question = f"{before}{asked.ask[:-1] if more else asked.ask}{more}{'?' if more else ''}"
        return self.until(f"{question} ({said})" if said else question, lambda answer: self.checked(asked, answer))

    def checked(self, asked: Asked, answer: str) -> str:
        """The answer as TOML; raises `ValueError` for one that is none."""
        if asked.kind == "file" and answer.strip() and not _beside(self.folder, answer.strip()):
            raise ValueError(f"There is no file {answer} in {self.folder.absolute()}.")
        return checked(asked, answer, (answer.strip(),), bare=True)

    @staticmethod
    def until(question: str, check: Callable[[str], str]) -> str:
        """An answer that passes; one that does not is said, and asked for again."""
        while True:
            answer = str(click.prompt(question, default="", show_default=False, prompt_suffix=" ", err=True)).strip()
            try:
                return check(answer)
            except ValueError as wrong:
                words(f"  {wrong}")


def _wall(video: str) -> Iterable[Asked]:
    """What is asked of the wall itself; a sweep has to know how large it is."""
    sizes = (asking.WIDTH, asking.HEIGHT)
    return (asking.NAME, *(Asked(one.name, one.ask, one.kind) if video else one for one in sizes))


def _laser(put: _Asker, values: Values, video: str) -> None:
    """The lens and the laser: calibrated together, or a lens and a taped pivot."""
    values["plane"] = "" if video else put(asking.PLANE)
    if values["plane"]:
        return
    values["lens"] = put(Asked(asking.LENS.name, asking.LENS.ask, "file") if video else asking.LENS)
    for one in (() if values["lens"] else asking.CAMERA) + asking.PIVOT:
        values[one.name] = put(one)


def _targets(put: _Asker, values: Values) -> dict[str, list[str]]:
    values["size"] = put(asking.SIZE)
    places: dict[str, list[str]] = {}
    open_ended = Asked(asking.TARGET.name, asking.TARGET.ask, "number", asking.OPEN)
    while True:
        enough = "empty: that was all" if len(places) >= asking.ENOUGH else f"at least {asking.ENOUGH}, better 8"
        number = put(open_ended, empty=enough)
        if not number and len(places) >= asking.ENOUGH:
            return places
        if not number:
            words(f"{asking.ENOUGH} are needed, and {len(places)} are told.")
            continue
        places[number] = [put(one) for one in asking.place_of(number)]


def _lines(put: _Asker, photos: tuple[tuple[str, str], ...], *, plane: bool) -> list[Line]:
    """A line a pair of photos; those that are named are not asked for again."""
    pairs, named, lines = list(photos) or [("", "")], bool(photos), list[Line]()
    while pairs:
        on, off = pairs.pop(0)
        first = put.checked(asking.ON, on) if named else put(asking.ON)
        second = put.checked(asking.OFF, off) if named else put(asking.OFF)
        at = "" if plane else put(asking.AT, before=f"{on or 'This line'}: ")
        lines.append(Line(first, second, at))
        if not pairs and not named and put.until("Is there another line? (yes or no)", _yes) == "yes":
            pairs.append(("", ""))
    return lines


def _yes(answer: str) -> str:
    if answer.lower() not in ("y", "yes", "n", "no", ""):
        raise ValueError("Say yes or no.")
    return "yes" if answer.lower().startswith("y") else "no"

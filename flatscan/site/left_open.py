"""What captures of a site leave open: one table of questions that people fill in, taken up by the next run."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flatscan.core.errors import FlatscanError
from flatscan.core.records import from_plain
from flatscan.core.table import Column, read_table
from flatscan.core.typed import LONGEST_SHOWN
from flatscan.site.job import Capture
from flatscan.site.proposals import picture_of
from flatscan.site.store import Record

ANSWERS, PICTURES = "answers.csv", "questions"
# settings that the next run takes from the table: what a capture can leave open about itself
SETTINGS = ("file-unit", "up", "seen-from", "crop")
_COLUMNS = ("file", "setting", "answer", "proposals", "pictures", "why")
# a spreadsheet takes -z for a formula unless this stands before it
_AS_TEXT = "'"


@dataclass(frozen=True, slots=True)
class Answer:
    """One line of the table that has an answer: for which ``file``, to which ``setting``; ``line`` is its number."""

    line: int
    file: str
    setting: str
    answer: str


@dataclass(frozen=True, slots=True)
class Question:
    """What a capture leaves open: the ``file`` as listed, the ``setting``, what may be right, and why it is asked.

    ``pictures`` has a name for each proposal, empty where there is none; ``kind`` and ``slug`` are of the record that
    holds them. ``answer`` is the one given before.
    """

    file: str
    setting: str
    answer: str = ""
    proposals: tuple[str, ...] = ()
    pictures: tuple[str, ...] = ()
    why: FlatscanError | None = None
    kind: str = ""
    slug: str = ""

    def row(self) -> dict[str, Any]:
        """Its line in the table."""
        shown = [f"{PICTURES}/{self.slug}-{name}" if name else "" for name in self.pictures]
        own = {name: getattr(self, name) for name in ("file", "setting", "answer", "why")}
        return own | {"proposals": list(self.proposals), "pictures": shown}


def read_answers(folder: Path) -> tuple[Answer, ...]:
    """The answers in a folder of results, none where there is no such table; raises `BadTable` with the line."""
    path = folder / ANSWERS
    if not path.is_file():
        return ()
    table = read_table(path, [Column(name, "word", optional=name not in _COLUMNS[:2]) for name in _COLUMNS])
    found = []
    for row in table.rows:
        setting = row.words["setting"].strip().lower().replace("_", "-")
        answer = row.words["answer"].strip().removeprefix(_AS_TEXT)
        if setting not in SETTINGS:
            raise table.wrong(
                row,
                "the setting '{setting}'",
                needed="one of {settings}",
                remedy="Correct the line, or take it out",
                setting=setting[:LONGEST_SHOWN],
                settings=SETTINGS,
            )
        if answer:
            found.append(Answer(row.line, row.words["file"].removeprefix(_AS_TEXT), setting, answer))
    return tuple(found)


def answers_to(capture: Capture, answers: Iterable[Answer]) -> tuple[Answer, ...]:
    """Those that are about a capture."""
    return tuple(one for one in answers if one.file == capture.listed)


def options_of(answers: Iterable[Answer]) -> str:
    """Answers as options of the command line; what begins with a minus is no option there."""
    return shlex.join(f"--{one.setting}={one.answer}" for one in answers)


def questions(captures: Sequence[Capture], records: Sequence[Record], answers: Sequence[Answer]) -> list[Question]:
    """Open questions and given answers in the order of the captures; answers about other files come last.

    A setting that was answered is not asked again: where its answer helps nothing, that is what the failure says.
    """
    asked: dict[str, list[Question]] = {}
    files = {capture.slug: capture.listed for capture in captures}
    for record in records:
        for one in _open(record, files[record["capture"]]):
            asked.setdefault(one.file, []).append(one)
    given = {(one.file, one.setting): one for one in answers}
    order = [*dict.fromkeys(files.values()), *dict.fromkeys(one.file for one in answers)]
    found: dict[tuple[str, str], Question] = {}
    for file in dict.fromkeys(order):
        said = [Question(one.file, one.setting, one.answer) for one in answers if one.file == file]
        left = [one for one in asked.get(file, []) if (file, one.setting) not in given]
        for one in (*said, *left):
            found.setdefault((file, one.setting), one)
    return list(found.values())


def _open(record: Record, file: str) -> list[Question]:
    """The questions of a record that failed because its capture leaves something open."""
    if record["status"] != "failed":
        return []
    why = from_plain(FlatscanError, record["error"])
    proposals: dict[str, list[str]] = {}
    for setting, value in why.choices:
        proposals.setdefault(setting.replace("_", "-"), []).append(value)
    asked = [(setting, tuple(values)) for setting, values in proposals.items() if setting in SETTINGS]
    return [
        Question(file, setting, "", values, _shown(record, setting, values), why, record["kind"], record["slug"])
        for setting, values in asked
    ]


def _shown(record: Record, setting: str, proposals: tuple[str, ...]) -> tuple[str, ...]:
    named = (picture_of(setting, proposal) for proposal in proposals)
    return tuple(name if name in record["sheets"] else "" for name in named)

"""What rechecking a sealed file found, in words and as a document."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from flatscan.core.errors import FlatscanError
from flatscan.core.notes import Note, note
from flatscan.report.say import Said, say, trouble

SCHEMA = 1
SAME, ALTERED, DIFFERENT = "same", "altered", "recomputes differently"
State = Literal["same", "rounding", "wording", "different"]
# differing entries shown of one job, and sentences of one list
_MOST = 12


@dataclass(frozen=True, slots=True)
class Row:
    """One entry of a result: where it stands, the sealed value and the one found now, and how they compare.

    "rounding" is within one step of a document's rounding with other versions of the libraries, "wording" another
    sentence, which is another result like any other value.
    """

    path: str
    sealed: Any
    again: Any
    state: State

    @property
    def differs(self) -> bool:
        """Whether it says another thing."""
        return self.state in ("wording", "different")


@dataclass(frozen=True, slots=True)
class SealedText:
    """A sealed text by its ``name``: whether this version words it the same, None where it has no such text."""

    name: str
    same: bool | None


@dataclass(frozen=True)
class Rerun:
    """One job run again: its command, its rows, whether its document has the same bytes, or why it could not be run."""

    command: str
    rows: tuple[Row, ...]
    same_bytes: bool
    trouble: FlatscanError | None = None

    @property
    def differs(self) -> bool:
        """Whether any entry says another thing."""
        return self.trouble is not None or any(row.differs for row in self.rows)


@dataclass(frozen=True, slots=True)
class Sheet:
    """A member that was made anew: ``same`` bytes; else ``why`` its reader sees another thing, None for the same."""

    name: str
    same: bool
    why: Note | None = None

    @property
    def state(self) -> str:
        """In a word."""
        return "same" if self.same else "same content" if self.why is None else "different"


@dataclass(frozen=True, slots=True)
class Time:
    """When a file was sealed: the second ``at`` which an authority named ``by`` stamped it, empty where none did.

    ``verified`` is whether that was held against certificates the checker trusts, ``trouble`` why it was not read.
    """

    at: str = ""
    by: str = ""
    verified: bool = False
    trouble: FlatscanError | None = None

    @property
    def said(self) -> Note:
        """It in words."""
        if self.trouble is not None:
            return note("stamp.unread", why=self.trouble)
        if not self.at:
            return note("stamp.own-clock")
        return note("stamp.verified" if self.verified else "stamp.not-verified", at=self.at, by=self.by)


@dataclass(frozen=True)
class Rechecked:
    """What a recheck found; ``status`` is same, altered or recomputes differently.

    ``problems`` are what was altered. ``seal`` is the SHA-256 of the manifest, ``signed_by`` the public key in hex
    whose signature holds, None where there is none. ``versions`` are (sealed with, run with). ``texts`` are the sealed
    methods, ``sheets`` all members made anew, ``stated`` what the file's maker states and nobody can check, ``papers``
    what its papers carry at their feet.
    """

    status: str
    problems: tuple[Note, ...]
    reruns: tuple[Rerun, ...] = ()
    seal: str | None = None
    signed_by: str | None = None
    versions: tuple[dict[str, str], dict[str, str]] = ({}, {})
    texts: tuple[SealedText, ...] = ()
    sheets: tuple[Sheet, ...] = ()
    stated: tuple[Note, ...] = ()
    papers: tuple[Note, ...] = ()
    time: Time = Time()

    @property
    def other_versions(self) -> tuple[str, ...]:
        """Names of what the file is said to be sealed with in another version than it was run with."""
        sealed, now = self.versions
        return tuple(name for name in {**sealed, **now} if sealed.get(name) != now.get(name))


_HEADS = {
    SAME: note("recheck.same"),
    ALTERED: note("recheck.altered"),
    DIFFERENT: note("recheck.different"),
}


def recheck_text(found: Rechecked, *, every: bool = False, units: str = "mm") -> str:
    """What was found, for reading: the outcome, what differs, what nobody can check; then (``every``) each number."""
    return "\n".join(say(line, units) for line in _lines(found, every, units))


def _lines(found: Rechecked, every: bool, units: str) -> Iterator[Said]:
    yield _HEADS[found.status]
    yield from _short([note("recheck.problem", problem=problem) for problem in found.problems])
    others = [sheet for sheet in found.sheets if sheet.why is not None]
    differs = any(rerun.differs for rerun in found.reruns)
    if not differs:
        yield from _short([note("recheck.sheet", name=sheet.name, why=sheet.why) for sheet in others])
    yield from _version_lines(found)
    if found.status == ALTERED and not found.reruns:
        yield note("recheck.nothing-rerun")
    for number, rerun in enumerate(found.reruns, 1):
        yield from _rerun_lines(number, rerun, units)
    if differs and others:
        yield note("recheck.sheets-follow", count=len(others), names=tuple(sheet.name for sheet in others))
    packed = tuple(sheet.name for sheet in found.sheets if sheet.state == "same content")
    if packed:
        yield note("recheck.packed-otherwise", names=packed)
    if found.sheets and not others:
        yield note("recheck.all-again", count=len(found.sheets), texts=len(found.texts))
    if found.seal is not None:
        yield ""
        yield note("recheck.seal", seal=found.seal)
        yield from found.papers
    if found.status != ALTERED:
        yield note("recheck.signed", key=found.signed_by) if found.signed_by else note("recheck.unsigned")
        yield found.time.said
        if found.stated:
            yield note("recheck.stated")
            yield from (note("recheck.problem", problem=stated) for stated in found.stated)
    yield note("sealed.not-proven")
    if every:
        for number, rerun in enumerate(found.reruns, 1):
            yield from _table(number, rerun)


def _short(lines: Sequence[Note]) -> Iterator[Note]:
    yield from lines[:_MOST]
    if len(lines) > _MOST:
        yield note("recheck.more", count=len(lines) - _MOST)


def _version_lines(found: Rechecked) -> Iterator[Note]:
    """Versions that are not the same, and what that means where something came out otherwise."""
    if not found.reruns and not found.sheets:
        return
    sealed, now = found.versions
    none = note("report.none")
    for name in found.other_versions:
        yield note("recheck.version", name=name, sealed=sealed.get(name, none), now=now.get(name, none))
    if found.other_versions and found.status != SAME:
        yield note("recheck.take-that-version")


def _rerun_lines(number: int, rerun: Rerun, units: str) -> Iterator[Said]:
    if rerun.trouble is not None:
        why = not_rerun(rerun.trouble, units)
        yield note("recheck.job-trouble", number=number, command=rerun.command, trouble=why)
        return
    others = [row for row in rerun.rows if row.state != "same"]
    if not others:
        yield note("recheck.job", number=number, command=rerun.command, entries=len(rerun.rows))
        return
    yield note(
        "recheck.job-differs",
        number=number,
        command=rerun.command,
        entries=len(rerun.rows),
        different=sum(row.differs for row in others),
        rounding=sum(row.state == "rounding" for row in others),
    )
    yield _head()
    yield from (_row(row) for row in sorted(others, key=lambda row: row.state == "rounding")[:_MOST])
    if len(others) > _MOST:
        yield note("recheck.more", count=len(others) - _MOST)


def _table(number: int, rerun: Rerun) -> Iterator[Said]:
    """Each number of a job beside the sealed one."""
    yield ""
    yield note("recheck.every", number=number, command=rerun.command)
    yield _head()
    yield from (_row(row) for row in rerun.rows if isinstance(row.sealed, (int, float, type(None))))


def not_rerun(error: FlatscanError, units: str = "mm") -> str:
    """Why a job could not be run again, in words."""
    return say(note("recheck.not-rerun", error=trouble(error, units)), units)


def _head() -> str:
    return _columns(*(say(note(code)) for code in ("recheck.entry", "recheck.sealed", "recheck.again")))


def _row(row: Row) -> str:
    mark = "" if row.state == "same" else f"  <- {row.state}"
    return _columns(row.path, _value(row.sealed), _value(row.again)) + mark


def _columns(entry: str, sealed: str, again: str) -> str:
    return f"  {entry:40} {sealed:>18} {again:>18}"


def _value(value: Any) -> str:
    said = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    said = "".join(letter if letter.isprintable() else "." for letter in said)
    return said if len(said) <= 60 else f"{said[:57]}..."


def recheck_record(found: Rechecked) -> dict[str, object]:
    """What was found, as a document."""
    return {
        "schema": SCHEMA,
        "command": "recheck",
        "status": found.status,
        "problems": [say(problem) for problem in found.problems],
        "seal": found.seal,
        "signed_by": found.signed_by,
        "papers": [say(one) for one in found.papers],
        "time": {"at": found.time.at or None, "by": found.time.by or None, "verified": found.time.verified}
        | {"text": say(found.time.said)},
        "not_proven": say(note("sealed.not-proven")),
        "stated": [say(stated) for stated in found.stated],
        "sealed_with": found.versions[0],
        "rerun_with": found.versions[1],
        "methods": [{"name": text.name, "same": text.same} for text in found.texts],
        "files": [
            {"name": sheet.name, "state": sheet.state, "why": None if sheet.why is None else say(sheet.why)}
            for sheet in found.sheets
        ],
        "jobs": [_rerun_record(rerun) for rerun in found.reruns],
    }


def _rerun_record(rerun: Rerun) -> dict[str, object]:
    rows = [{"path": row.path, "sealed": row.sealed, "again": row.again, "state": row.state} for row in rerun.rows]
    why = None if rerun.trouble is None else not_rerun(rerun.trouble)
    return {"command": rerun.command, "same_bytes": rerun.same_bytes, "trouble": why, "entries": rows}

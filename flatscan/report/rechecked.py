"""What rechecking a sealed file found, and how it is told: in words, and as a document."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from flatscan.core.errors import FlatscanError
from flatscan.core.notes import Note, note
from flatscan.report.say import Said, say, trouble

SCHEMA = 1
SAME, ALTERED, DIFFERENT = "same", "altered", "recomputes differently"


@dataclass(frozen=True, slots=True)
class Row:
    """One entry of a result: where it stands, the sealed value and the one found now, and how they compare.

    "rounding" is within one step of a document's rounding, "wording" is a sentence that this version words otherwise.
    """

    path: str
    sealed: Any
    again: Any
    state: Literal["same", "rounding", "wording", "different"]


@dataclass(frozen=True, slots=True)
class SealedText:
    """A sealed text by its ``name``: whether this version words it the same, None where it has no such text."""

    name: str
    same: bool | None


@dataclass(frozen=True)
class Rerun:
    """One job run again: its command, its rows, whether result.json has the same bytes, or why it could not be run."""

    command: str
    rows: tuple[Row, ...]
    same_bytes: bool
    trouble: FlatscanError | None = None

    @property
    def differs(self) -> bool:
        """Whether any entry differs by more than rounding."""
        return self.trouble is not None or any(row.state == "different" for row in self.rows)


@dataclass(frozen=True)
class Rechecked:
    """What a recheck found; ``status`` is same, altered or recomputes differently.

    ``problems`` are what was altered. ``seal`` is the SHA-256 of the manifest, ``signed_by`` the public key in hex
    whose signature holds, None where there is none. ``versions`` are (sealed with, run with). ``texts`` are the sealed
    methods; another wording of them changes no number and so no status.
    """

    status: str
    problems: tuple[Note, ...]
    reruns: tuple[Rerun, ...] = ()
    seal: str | None = None
    signed_by: str | None = None
    versions: tuple[dict[str, str], dict[str, str]] = ({}, {})
    texts: tuple[SealedText, ...] = ()


_HEADS = {
    SAME: note("recheck.same"),
    ALTERED: note("recheck.altered"),
    DIFFERENT: note("recheck.different"),
}


def recheck_text(found: Rechecked, *, every: bool = True, units: str = "mm") -> str:
    """What was found, for reading: the outcome, then each number beside the sealed one (``every``) or what differs."""
    return "\n".join(say(line, units) for line in _lines(found, every, units))


def _lines(found: Rechecked, every: bool, units: str) -> Iterator[Said]:
    yield _HEADS[found.status]
    yield from (note("recheck.problem", problem=problem) for problem in found.problems)
    if found.seal is not None:
        yield note("recheck.seal", seal=found.seal)
    if found.status != ALTERED:
        signer = found.signed_by
        yield note("recheck.signed", key=signer) if signer else note("recheck.unsigned")
        sealed, now = found.versions
        for name in sealed:
            if sealed[name] != now.get(name):
                yield note("recheck.version", name=name, sealed=sealed[name], now=now.get(name, note("report.none")))
        yield from _text_lines(found)
    for number, rerun in enumerate(found.reruns, 1):
        yield from _rerun_lines(number, rerun, every, units)
    yield note("sealed.not-proven")


def _text_lines(found: Rechecked) -> Iterator[Note]:
    """The sealed methods, and which of them this version words otherwise."""
    if not found.texts:
        yield note("recheck.no-methods")
        return
    yield note("recheck.methods", names=tuple(text.name for text in found.texts))
    for text in found.texts:
        if not text.same:
            yield note("recheck.text-gone" if text.same is None else "recheck.text-reworded", name=text.name)


def _rerun_lines(number: int, rerun: Rerun, every: bool, units: str) -> Iterator[Said]:
    yield ""
    if rerun.trouble is not None:
        why = not_rerun(rerun.trouble, units)
        yield note("recheck.job-trouble", number=number, command=rerun.command, trouble=why)
        return
    kinds = [row.state for row in rerun.rows]
    yield note(
        "recheck.job",
        number=number,
        command=rerun.command,
        same=kinds.count("same"),
        rounding=kinds.count("rounding"),
        wording=kinds.count("wording"),
        different=kinds.count("different"),
        bytes=note("recheck.same-bytes") if rerun.same_bytes else note("recheck.other-bytes"),
    )
    others = [row for row in rerun.rows if row.state == "different"]
    others += [row for row in rerun.rows if row.state in ("rounding", "wording")]
    if others:
        yield note("recheck.not-the-same")
        yield from (_row(row) for row in others)
    if every:
        yield _columns(*(say(note(code)) for code in ("recheck.entry", "recheck.sealed", "recheck.again")))
        yield from (_row(row) for row in rerun.rows if isinstance(row.sealed, (int, float, type(None))))


def not_rerun(error: FlatscanError, units: str = "mm") -> str:
    """Why a job could not be run again, in words."""
    return say(note("recheck.not-rerun", error=trouble(error, units)), units)


def _row(row: Row) -> str:
    mark = "" if row.state == "same" else f"  <- {row.state}"
    return _columns(row.path, _value(row.sealed), _value(row.again)) + mark


def _columns(entry: str, sealed: str, again: str) -> str:
    return f"  {entry:40} {sealed:>18} {again:>18}"


def _value(value: Any) -> str:
    said = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
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
        "not_proven": say(note("sealed.not-proven")),
        "sealed_with": found.versions[0],
        "rerun_with": found.versions[1],
        "methods": [{"name": text.name, "same": text.same} for text in found.texts],
        "jobs": [_rerun_record(rerun) for rerun in found.reruns],
    }


def _rerun_record(rerun: Rerun) -> dict[str, object]:
    rows = [{"path": row.path, "sealed": row.sealed, "again": row.again, "state": row.state} for row in rerun.rows]
    why = None if rerun.trouble is None else not_rerun(rerun.trouble)
    return {"command": rerun.command, "same_bytes": rerun.same_bytes, "trouble": why, "entries": rows}

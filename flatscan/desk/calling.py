"""Captures by the names that their senders gave them: in every wall's folder the file itself is called alike."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from flatscan.core.notes import Note
from flatscan.desk.folders import Job
from flatscan.jobs import Change

# what holds notes of the earlier capture among those of the comparison
_OF_EARLIER = "jobs.earlier"


def name_of(job: Job) -> str:
    """What its sender calls a wall's capture; readings typed at the desk are called as their wall."""
    taken = job.settings["capture"]
    return job.title if taken is None else str(taken["name"])


def names_apart(earlier: Job, later: Job) -> tuple[str, str]:
    """Names of two walls' captures; where these are alike, with their walls' before them."""
    names = name_of(earlier), name_of(later)
    if names[0] != names[1]:
        return names
    titles = (earlier.title, later.title) if earlier.title != later.title else (earlier.name, later.name)
    return f"{titles[0]}: {names[0]}", f"{titles[1]}: {names[1]}"


def called(found: Change, earlier: str, later: str) -> Change:
    """A comparison that calls its two captures so, wherever it names a file."""
    old = found.earlier.origin.file, found.seen.origin.file

    def told(said: Note, was: str, now: str) -> Note:
        pairs = tuple((name, _renamed(value, was, now)) for name, value in said.pairs)
        return replace(said, pairs=pairs)

    def one(said: Note) -> Note:
        return told(said, old[0], earlier) if said.code == _OF_EARLIER else told(said, old[1], later)

    return replace(
        found,
        notes=tuple(one(said) if isinstance(said, Note) else said for said in found.notes),
        seen=replace(found.seen, origin=replace(found.seen.origin, file=later)),
        earlier=replace(found.earlier, origin=replace(found.earlier.origin, file=earlier)),
    )


def _renamed(value: Any, was: str, now: str) -> Any:
    if isinstance(value, Note):
        return replace(value, pairs=tuple((name, _renamed(one, was, now)) for name, one in value.pairs))
    if isinstance(value, tuple):
        return tuple(_renamed(one, was, now) for one in value)
    return now if value == was else value

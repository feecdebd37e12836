"""Settings of a job as plain JSON and back: only what differs from its default, files by name."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from flatscan.core.errors import ReadError
from flatscan.core.records import NotARecord, Problem
from flatscan.core.records import from_plain as record_of
from flatscan.core.records import to_plain as plain_of

T = TypeVar("T")
# fields that may name a file of the user's own, which then has to travel along
_FILES = frozenset({"repeat", "tie", "system", "points", "rates", "hand", "clash"})
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]*")


def to_plain(settings: Any, pack: Callable[[Path], str]) -> dict[str, Any]:
    """A settings dataclass as an object of JSON: fields that differ from their defaults, nested ones alike.

    ``pack`` takes each file a setting names and gives the name it has in the sealed file.
    """

    def packed(value: Any) -> Any:
        return {"file": pack(Path(value))} if isinstance(value, str) and Path(value).is_file() else value

    plain: dict[str, Any] = _with_files(plain_of(settings, sparse=True), packed)
    return plain


def from_plain(kind: type[T], plain: Any, files: Mapping[str, Path]) -> T:
    """The settings dataclass ``kind`` from its plain form, the ``files`` it names by their names in the sealed file.

    Nothing outside ``files`` is ever opened. Raises `ReadError` for a setting that this version does not know, a value
    of another kind, or a file that is not in the sealed file.
    """

    def opened(value: Any) -> Any:
        if isinstance(value, dict):
            if set(value) != {"file"} or str(value["file"]) not in files:
                raise _odd("file", value)
            return str(files[str(value["file"])])
        if isinstance(value, str) and not _NAME.fullmatch(value):
            # a name of something that ships with the package, never a path on the checker's machine
            raise _odd("file", value)
        return value

    try:
        return record_of(kind, _with_files(plain, opened))
    except NotARecord as wrong:
        raise _refused(wrong.problems[0]) from None


def _with_files(plain: Any, change: Callable[[Any], Any], name: str = "") -> Any:
    """Plain data with every value changed that stands where a file may be named."""
    if isinstance(plain, list):
        return [_with_files(part, change, name) for part in plain]
    if name in _FILES:
        return change(plain)
    if isinstance(plain, dict):
        return {key: _with_files(value, change, key) for key, value in plain.items()}
    return plain


def _refused(problem: Problem) -> ReadError:
    if problem.what == "unknown":
        return ReadError(
            "manifest.json",
            "the setting '{name}' of {kind}",
            needed="settings this version knows",
            remedy="Run the version of flatscan that sealed the file",
            name=problem.at,
            kind=problem.kind,
        )
    return _odd(problem.at or problem.kind, problem.found or problem.what)


def _odd(name: str, value: Any) -> ReadError:
    return ReadError(
        "manifest.json",
        "{name} = {value}",
        needed="a setting as sealing writes it",
        remedy="Do not trust this file: its settings were not written by sealing",
        name=name,
        value=str(value)[:60],
    )

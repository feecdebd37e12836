"""Settings of a job as plain JSON and back: only what differs from its default, files by name."""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from flatscan.errors import ReadError

# fields that may name a file of the user's own, which then has to travel along
_FILES = frozenset({"repeat", "tie", "system", "points", "rates", "hand", "clash"})
Pack = Callable[[Path], str]


def to_plain(settings: Any, pack: Pack) -> dict[str, Any]:
    """A settings dataclass as an object of JSON: fields that differ from their defaults, nested ones alike.

    ``pack`` takes each file a setting names and gives the name it has in the sealed file.
    """
    made: dict[str, Any] = {}
    for field in dataclasses.fields(settings):
        value = getattr(settings, field.name)
        if field.default is not dataclasses.MISSING and value == field.default:
            continue
        made[field.name] = _plain(value, pack if field.name in _FILES else None)
    return made


def _plain(value: Any, pack: Pack | None) -> Any:
    if dataclasses.is_dataclass(value):
        return to_plain(value, pack or _no_file)
    if isinstance(value, (tuple, list)):
        return [_plain(part, pack) for part in value]
    if pack is not None and isinstance(value, str) and Path(value).is_file():
        return {"file": pack(Path(value))}
    return value


def _no_file(path: Path) -> str:
    raise AssertionError(f"{path}: a file in a setting that names none")


def from_plain(kind: type, plain: Mapping[str, Any], folder: Path) -> Any:
    """The settings dataclass ``kind`` from its plain form, files found in ``folder``.

    Raises `ReadError` for a setting that this version does not know.
    """
    hints = typing.get_type_hints(kind)
    unknown = sorted(set(plain) - set(hints))
    if unknown:
        raise ReadError(
            "manifest.json", f"the setting '{unknown[0]}' of {kind.__name__}", needed="settings this version knows",
            remedy="Run the version of flatscan that sealed the file",
        )  # fmt: skip
    return kind(**{name: _value(hints[name], value, folder) for name, value in plain.items()})


def _value(hint: Any, value: Any, folder: Path) -> Any:
    if isinstance(value, dict) and set(value) == {"file"}:
        return str(folder / value["file"])
    origin, parts = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        if value is None:
            return None
        chosen = [part for part in parts if part is not type(None)]
        return _value(chosen[0], value, folder)
    if origin is tuple:
        kinds = [parts[0]] * len(value) if len(parts) == 2 and parts[1] is Ellipsis else list(parts)
        return tuple(_value(kind, part, folder) for kind, part in zip(kinds, value, strict=True))
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        return from_plain(hint, value, folder)
    # JSON has one kind of number: a whole one may stand for a float
    return float(value) if hint is float and not isinstance(value, bool) else value


def in_words(plain: Mapping[str, Any], prefix: str = "") -> list[str]:
    """Each changed setting in words such as ``plane least 0.006 m`` (lengths are metres, slopes m per m)."""
    said = []
    for name, value in plain.items():
        label = f"{prefix}{name.replace('_', ' ')}"
        if isinstance(value, dict) and set(value) == {"file"}:
            said.append(f"{label}: file {value['file']}")
        elif isinstance(value, dict):
            said += in_words(value, f"{label}, ")
        elif isinstance(value, list) and value and all(isinstance(part, dict) for part in value):
            said.append(f"{label}: {'; '.join(_one(part) for part in value)}")
        else:
            said.append(f"{label}: {value}")
    return said


def _one(part: Mapping[str, Any]) -> str:
    """One entry of a list: its id or file where it has one, else all of it."""
    return str(part.get("id") or part.get("file") or ", ".join(in_words(part)))

"""Settings of a job as plain JSON and back: only what differs from its default, files by name."""

from __future__ import annotations

import dataclasses
import re
import types
import typing
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from flatscan.core.errors import ReadError

# fields that may name a file of the user's own, which then has to travel along
_FILES = frozenset({"repeat", "tie", "system", "points", "rates", "hand", "clash"})
Pack = Callable[[Path], str]
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]*")


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


def from_plain(kind: type, plain: Any, files: Mapping[str, Path]) -> Any:
    """The settings dataclass ``kind`` from its plain form, the ``files`` it names by their names in the sealed file.

    Nothing outside ``files`` is ever opened. Raises `ReadError` for a setting that this version does not know, a value
    of another kind, or a file that is not in the sealed file.
    """
    hints = typing.get_type_hints(kind)
    if not isinstance(plain, Mapping):
        raise _odd(kind.__name__, plain)
    unknown = sorted(set(plain) - set(hints))
    if unknown:
        raise ReadError(
            "manifest.json", f"the setting '{unknown[0]}' of {kind.__name__}", needed="settings this version knows",
            remedy="Run the version of flatscan that sealed the file",
        )  # fmt: skip
    made = {}
    for name, value in plain.items():
        made[name] = _value(hints[name], value, files, name)
        if name in _FILES and isinstance(value, str) and not _NAME.fullmatch(value):
            # a name of something that ships with the package, never a path on the checker's machine
            raise _odd(name, value)
    try:
        return kind(**made)
    except TypeError:
        raise _odd(kind.__name__, plain) from None


def _value(hint: Any, value: Any, files: Mapping[str, Path], name: str) -> Any:
    if isinstance(value, dict) and set(value) == {"file"}:
        if value["file"] not in files:
            raise _odd(name, value)
        return str(files[value["file"]])
    origin, parts = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        if value is None and type(None) in parts:
            return None
        chosen = [part for part in parts if part is not type(None)]
        return _value(chosen[0], value, files, name)
    if origin is tuple:
        if not isinstance(value, list):
            raise _odd(name, value)
        kinds = [parts[0]] * len(value) if len(parts) == 2 and parts[1] is Ellipsis else list(parts)
        if len(kinds) != len(value):
            raise _odd(name, value)
        return tuple(_value(one, part, files, name) for one, part in zip(kinds, value, strict=True))
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        return from_plain(hint, value, files)
    return _simple(hint, value, name)


def _simple(hint: Any, value: Any, name: str) -> Any:
    """A number, word or truth value of the kind its field has; JSON has one kind of number, so 1 may stand for 1.0."""
    if hint is float and isinstance(value, (int, float)) and not isinstance(value, bool):
        return float(value)
    if hint not in (int, str, bool) or type(value) is not hint:
        raise _odd(name, value)
    return value


def _odd(name: str, value: Any) -> ReadError:
    return ReadError(
        "manifest.json", f"{name} = {str(value)[:60]}", needed="a setting as sealing writes it",
        remedy="Do not trust this file: its settings were not written by sealing",
    )  # fmt: skip


# settings that are no lengths: numbers of things, shares, angles; slopes are m per m, volumes m3
_BARE = frozenset({
    "wall", "no_opening", "confidence", "directions", "waste", "worth", "rate", "parallel_to", "square_to",
    "reference_walls", "light",
})  # fmt: skip
_SLOPES, _VOLUMES = frozenset({"lean", "turn", "lean_up_to", "turn_up_to"}), frozenset({"quoted", "used"})


def in_words(plain: Mapping[str, Any], prefix: str = "") -> list[str]:
    """Each changed setting in words such as ``plane, least: 6 mm``."""
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
            said.append(f"{label}: {_amount(name, value)}")
    return said


def _amount(name: str, value: Any) -> str:
    """A setting's value with its unit, lists part by part."""
    if isinstance(value, list):
        return ", ".join(f"({_amount(name, p)})" if isinstance(p, list) else _amount(name, p) for p in value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if not isinstance(value, (int, float)) or name in _BARE:
        return str(value)
    unit = "mm per m" if name in _SLOPES else "litres" if name in _VOLUMES else "mm"
    return f"{value * 1000:g} {unit}"


def _one(part: Mapping[str, Any]) -> str:
    """One entry of a list: its id or file where it has one, else all of it."""
    return str(part.get("id") or part.get("file") or ", ".join(in_words(part)))

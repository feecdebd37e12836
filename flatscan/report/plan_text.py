"""The plan of a job as its file has it: only what changed is written, a person's own lines and remarks stay."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flatscan.core.notes import note
from flatscan.jobs.job_plan import JobPlan, JobRecord
from flatscan.jobs.plan_file import read_plan
from flatscan.plan.cutting import Cut
from flatscan.report.say import say

if TYPE_CHECKING:
    from tomlkit import TOMLDocument

_FACE = ("lean_up_to", "turn_up_to", "parallel_to", "square_to")
_THICKNESSES = frozenset({"least", "most", "finish", "strip", "limit", "plumb_limit"})
_RECTANGLES = ("opening", "pocket", "skip")
_FILES = frozenset({"rates", "tie", "repeat", "same_wall"})
# names of the file that are others than those of the options
_KEYS = {"repeat": "repeats"}


def plan_text(plan: JobPlan, before: str, path: str | Path) -> str:
    """The text of ``plan`` in the file at ``path``, which holds ``before``.

    What the file says already stays as it stands, with its remarks; what the plan says otherwise is put in its place.
    """
    import tomlkit

    document = tomlkit.parse(before) if before.strip() else _new()
    old, new = (_tables(one, Path(path).parent) for one in (read_plan(before, path), plan))
    for key in [key for key in old if key not in new]:
        document.remove(key)
    for key, value in new.items():
        if old.get(key) != value:
            _put(document, key, value)
    return tomlkit.dumps(document)


def _new() -> TOMLDocument:
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment(say(note("plan-file.head"))))
    return document


def _put(document: TOMLDocument, key: str, value: Any) -> None:
    """A key with its value; a list of tables is written as one table under the other."""
    import tomlkit

    # a plain key after the first table would belong to that table: whole lines come before it
    if key in document:
        del document[key]
    if isinstance(value, list) and value and all(isinstance(one, Mapping) for one in value):
        tables = tomlkit.aot()
        for one in value:
            tables.append(tomlkit.item(one))
        document.append(key, tables)
    elif isinstance(value, Mapping):
        document.append(key, tomlkit.item(value))
    else:
        _before_tables(document, key, value)


def _before_tables(document: TOMLDocument, key: str, value: Any) -> None:
    import tomlkit

    later = [(name, document[name]) for name in list(document) if isinstance(document[name], (dict, tomlkit.items.AoT))]
    for name, _ in later:
        document.remove(name)
    document.append(key, tomlkit.item(value))
    for name, table in later:
        document.append(name, table)


def _tables(plan: JobPlan, folder: Path) -> dict[str, Any]:
    """What a plan says as plain values under the keys of its file."""
    said = plan.options
    found = {_KEYS.get(name, name): _value(name, said[name], folder) for name in said if name not in _TABLES}
    face = {name: said[name] for name in _FACE if name in said}
    found |= {"face": face} if face else {}
    found |= {name: [_rectangle(one) for one in said[name]] for name in _RECTANGLES if name in said}
    fixed = [_fixed(*point) for point in plan.fix] + [
        {"x": _at(x), "y": _at(y), "reading": _thick(reading)} for x, y, reading in plan.fix_reading
    ]
    objects = [
        {"x": _at(x), "y": _at(y), "is": state}
        for state, places in (("wall", plan.as_wall), ("not wall", plan.not_wall))
        for x, y in places
    ]
    found |= {"fixed": fixed} if fixed else {}
    found |= {"object": objects} if objects else {}
    if plan.shave:
        found["shave"] = [_cut(one) for one in plan.shave]
    if plan.statement:
        found["statement"] = [_words(one) for one in plan.statement]
    return found | ({"job": _words(plan.job)} if plan.job != JobRecord() else {})


_TABLES = frozenset({*_FACE, *_RECTANGLES, "fix", "fix_reading", "as_wall", "not_wall", "shave", "statement", "job"})


def _value(name: str, value: Any, folder: Path) -> Any:
    if name in _FILES:
        return [_file(one, folder) for one in value] if isinstance(value, tuple) else _file(value, folder)
    if name == "wall":
        number, part = value
        return f"{number}{part}" if part else number
    if name in _THICKNESSES:
        return _thick(value)
    if name in ("rule", "laser", "width", "height"):
        return _at(value)
    if name == "cut":
        return [_cut(one) for one in value] if all(isinstance(one, Cut) for one in value) else _names(value)
    if name == "accept":
        return [f"{_number(x)},{_number(y)}" for x, y in value]
    if name == "region":
        return ", ".join(_at(part) for part in value)
    return list(value) if isinstance(value, tuple) else value


def _names(cuts: tuple[Cut | str, ...]) -> list[Any]:
    return [_cut(one) if isinstance(one, Cut) else one for one in cuts]


def _file(name: str, folder: Path) -> str:
    """A file's name as seen from the plan's own folder."""
    return Path(os.path.relpath(name, folder)).as_posix()


def _number(metres: float) -> str:
    return f"{round(metres, 4) + 0.0:g}"


def _at(metres: float) -> str:
    return f"{_number(metres)} m"


def _thick(metres: float) -> str:
    return f"{round(metres * 1000, 3) + 0.0:g} mm"


def _cut(cut: Cut) -> dict[str, str]:
    return {"x": _at(cut.x), "y": _at(cut.y), "depth": _thick(cut.depth)}


def _rectangle(corners: tuple[float, float, float, float]) -> dict[str, str]:
    left, bottom, right, top = corners
    return {"left": _at(left), "bottom": _at(bottom), "width": _at(right - left), "height": _at(top - bottom)}


def _fixed(x: float, y: float, offset: float, band: float = 0.0, beside: bool = False) -> dict[str, Any]:
    point: dict[str, Any] = {"x": _at(x), "y": _at(y), "offset": _thick(offset)}
    point |= {"band": _thick(band)} if band else {}
    return point | ({"beside": True} if beside else {})


def _words(record: Any) -> dict[str, str]:
    said = {item.name: getattr(record, item.name) for item in fields(record)}
    return {name: text for name, text in said.items() if text}

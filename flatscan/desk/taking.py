"""What a page sent, put into the plan of its job, and the plan as the fields of the pages show it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import Any

from flatscan.core.choices import AXES, CAPTURE_TYPES, LENGTH_UNITS, METHODS, SIGNS, STAGES, SURFACES
from flatscan.core.errors import BadValue, FlatscanError
from flatscan.core.notes import note
from flatscan.core.quantity import metres
from flatscan.core.settled import file_numbers
from flatscan.core.typed import parse_length
from flatscan.desk.asking import UNKNOWN
from flatscan.desk.sizes import parse_size
from flatscan.jobs.by_options import settings_by
from flatscan.jobs.job_plan import JobPlan
from flatscan.jobs.settings import DEFAULT_SYSTEM, wall_named
from flatscan.plan import systems
from flatscan.plan.day import start_of
from flatscan.plan.other_planes import ALLOWED
from flatscan.report.say import say

# what the wall screen asks, beside the questions of `asking`
WALL_LENGTHS = {"width": "Taped width", "height": "Taped height"}
HINTS = {
    "file_unit": ("Unit of the file", LENGTH_UNITS),
    "up": ("File axis that points up", tuple(AXES)),
}
WALL_FIELDS = ("wall", "no_opening", *WALL_LENGTHS, *HINTS, "seen_from")
LISTS = {"seen", "no_opening"}
# fields that the plan has under another name: hollows are worth filling from the limit on
_NAMES = {"purpose": "stage", "low_limit": "limit"}
# the unit of a bare number
_SIZES = {"rule": "m", "width": "m", "height": "m"}
_LENGTHS = {
    "least": "mm",
    "most": "mm",
    "finish": "mm",
    "limit": "mm",
    "plumb_limit": "mm",
    "low_limit": "mm",
    "strip": "mm",
    **_SIZES,
}
_CHOICES: dict[str, Callable[[], tuple[str, ...]]] = {
    "purpose": lambda: STAGES,
    "capture_type": lambda: CAPTURE_TYPES,
    "surface": lambda: SURFACES,
    "system": systems.available,
    "method": lambda: METHODS,
    **{name: lambda values=values: tuple(values) for name, (_, values) in HINTS.items()},  # type: ignore[misc]
}
# the ways that a face may go, as the list of choices prices them
_FACES = {"plumb": (None, None), "lean": (ALLOWED * 1000, None), "turn": (None, ALLOWED * 1000)}
# what is typed as words of its own, and may be wrong as a length may
_WORDS = frozenset({"mix", "start", "seen_from"})
FIELDS = frozenset({*WALL_FIELDS, *_LENGTHS, *LISTS, *_CHOICES, *_WORDS, "tolerance", "face"})
# a published tolerance brings its own
_OF_TOLERANCE = frozenset({"rule", "limit", "method", "plumb_limit"})
# what lies at a place of one wall, and means nothing on another
_PLACES = (
    "no_opening",
    "opening",
    "pocket",
    "skip",
    "fix",
    "fix_reading",
    "cut",
    "shave",
    "accept",
    "as_wall",
    "not_wall",
)
_BARE = re.compile(r"\s*[\d.,/\s+-]*\d[\d.,/\s]*")
_MOST_TEXT, _MOST_PARTS = 200, 50


def taken(plan: JobPlan, values: Mapping[str, Any], units: str) -> tuple[JobPlan, dict[str, str]]:
    """The plan with what a page sent, and by its field what was typed that is no value ("": it is one).

    A field that says what the plan says already changes nothing, so that a page can leave alone what it does not show
    in full. Names that are none of ours, and what is no text, raise `BadValue`.
    """
    values = dict(_checked(values))
    if values.get("tolerance"):
        values = {name: value for name, value in values.items() if name not in _OF_TOLERANCE}
    wrong: dict[str, str] = {}
    for name in sorted(values, key=lambda name: (name != "tolerance", name == "mix")):
        value = values[name]
        wrong[name] = ""
        if value == shown(plan, name, units):
            continue
        try:
            plan = with_field(plan, name, value, units)
        except FlatscanError:
            if name not in _LENGTHS and name not in _WORDS:
                raise
            wrong[name] = value
    return plan, wrong


def _checked(values: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    for name, value in values.items():
        if name not in FIELDS:
            raise BadValue(
                "the page", "a field '{name}'", needed="its own fields", remedy="Load it again", name=str(name)[:40]
            )
        if name in LISTS:
            parts = value if isinstance(value, list) else [value]
            yield name, [_text(part) for part in parts[:_MOST_PARTS] if part != ""]
        else:
            yield name, _text(value).strip()


def _text(value: Any) -> str:
    if not isinstance(value, str) or len(value) > _MOST_TEXT:
        raise BadValue(
            "the page",
            "an entry that is no text, or a very long one",
            needed="up to {most} letters",
            remedy="Write less",
            most=_MOST_TEXT,
        )
    return value


def with_field(plan: JobPlan, name: str, value: Any, units: str) -> JobPlan:
    """The plan with one field of a page; raises `BadValue` for what its setting cannot be."""
    if name == "face":
        lean, turn = _FACES.get(value, (plan.lean_up_to, plan.turn_up_to))
        return replace(plan, lean_up_to=lean, turn_up_to=turn)
    known = _NAMES.get(name, name)
    if name == "mix" and value:
        systems.with_mix(systems.load(plan.system or DEFAULT_SYSTEM), value)
    made = plan.changed_by({known: _value(name, value, units)})
    # what no job could be done by is refused here, not on every page
    settings_by(made, "check" if made.stage in STAGES[3:] else "survey")
    return made


def _value(name: str, value: Any, units: str) -> Any:
    """A field's text as the plan holds it; None and () where nothing is known."""
    if name == "seen":
        return tuple(sign for sign in value if sign in SIGNS)
    if name == "no_opening":
        return tuple(sorted({int(part) for part in value if part.isascii() and part.isdigit() and int(part)}))
    if value in ("", UNKNOWN):
        return () if name == "tolerance" else None
    if name == "tolerance":
        return (value,)
    if name == "wall":
        return wall_named(value)
    if name == "seen_from":
        return file_numbers(value, 3, "seen_from")
    if name == "mix":
        return value
    if name == "start":
        start_of(value)
        return value
    if name in _SIZES:
        return parse_size(value, where=f"{{set:{name}}}", units=units)
    if name in _LENGTHS:
        return parse_length(value, unit=_unit(name, value, units))
    if value not in _CHOICES[name]():
        raise BadValue(
            "the page", "'{value}'", needed="one of its own choices", remedy="Load it again", value=value[:40]
        )
    return value


def _unit(name: str, text: str, units: str) -> str | None:
    """What a bare number means in a field; None where the unit stands with it, and none is assumed."""
    if units == "in":
        return "in"
    return None if _BARE.fullmatch(text) is None else _LENGTHS[name]


def shown(plan: JobPlan, name: str, units: str) -> Any:
    """What stands in a field of a page for a plan: text, a list of it for ticks; "" where the plan is silent."""
    if name == "face":
        return next((face for face, ways in _FACES.items() if _same_way(plan, ways)), "")
    value = getattr(plan, _NAMES.get(name, name))
    if name in LISTS:
        return [str(part) for part in value]
    if value in (None, ()):
        return ""
    if name in _LENGTHS:
        return say(note("desk.held-long" if _LENGTHS[name] == "m" else "desk.held", length=metres(value)), units)
    if name == "tolerance":
        return value[0] if len(value) == 1 else ""
    if name == "seen_from":
        return ", ".join(f"{part:g}" for part in value)
    return "{}{}".format(*value) if name == "wall" else value


def _same_way(plan: JobPlan, ways: tuple[float | None, float | None]) -> bool:
    """Whether the plan's face is free in the same way, be it by more or by less."""
    return [plan.lean_up_to is None, plan.turn_up_to is None] == [free is None for free in ways]


def trouble_of(plan: JobPlan, name: str, text: str, units: str) -> FlatscanError | None:
    """What is wrong with something that was typed into a field; None where nothing is."""
    try:
        with_field(plan, name, text, units)
    except FlatscanError as trouble:
        return trouble
    return None


def on_another_wall(plan: JobPlan) -> JobPlan:
    """The plan without what lies at a place of the wall that it was made for."""
    return plan.changed_by(dict.fromkeys(_PLACES, ()) | {"region": None})


def of_answers(answers: Mapping[str, Any], fixed: tuple[tuple[float, float, float], ...], units: str) -> JobPlan:
    """The plan that a job's answers amount to, from a page that had no plan yet; what is no answer is left out."""
    plan = JobPlan(fix=tuple((x, y, proud, 0.0, True) for x, y, proud in fixed))
    for name, value in answers.items():
        try:
            plan, _ = taken(plan, {name: list(value) if isinstance(value, tuple) else value}, units)
        except FlatscanError:
            continue
    return plan

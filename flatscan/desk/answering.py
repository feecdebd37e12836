"""A job's answers as what the stages take: the same settings the commands pass."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from flatscan.core.choices import AXES, LENGTH_UNITS, SIGNS
from flatscan.core.errors import BadValue, FlatscanError
from flatscan.core.lengths import parse_length
from flatscan.desk.asking import UNKNOWN, Question, questions, tape_cost, what_for
from flatscan.desk.folders import Job
from flatscan.jobs import Capturing, Finishing, Requirement
from flatscan.jobs.settings import CLOUD_TYPE, DEFAULT_LIMIT, DEFAULT_RULE
from flatscan.plan.finish import FixedPoint, PlaneOptions
from flatscan.plan.lows import LIMIT as LOW_LIMIT
from flatscan.plan.screeds import SetOutOptions
from flatscan.plan.takeoff import TakeOffOptions

# what the wall screen asks, beside the questions of `asking`
WALL_LENGTHS = {"width": "Taped width", "height": "Taped height"}
HINTS = {
    "file_unit": ("Unit of the file", LENGTH_UNITS),
    "up": ("File axis that points up", tuple(AXES)),
}
WALL_FIELDS = ("wall", "no_opening", *WALL_LENGTHS, *HINTS, "seen_from")
_LENGTHS = {"least": "mm", "rule": "m", "limit": "mm", "plumb_limit": "mm", "low_limit": "mm", "strip": "mm",
            "width": "m", "height": "m"}  # fmt: skip
_LISTS = {"seen", "no_opening"}
_CHOICES = {"lean": 0.003, "turn": 0.003}
ANSWERS = frozenset({*WALL_FIELDS, *_LENGTHS, *_LISTS, "purpose", "capture_type", "surface", "system", "tolerance",
                     "face"})  # fmt: skip
_BARE = re.compile(r"\s*[\d.,/\s+-]*\d[\d.,/\s]*")
_MOST_TEXT, _MOST_PARTS = 200, 50


def take(settings: dict[str, Any], values: dict[str, Any]) -> None:
    """Put what a page sent into the answers; names that are none of ours, and what is no text, raise `BadValue`.

    A bare length is kept with the unit it was typed in, so that a change of units cannot change it.
    """
    for name, value in values.items():
        if name not in ANSWERS:
            raise BadValue("the page", f"a field '{str(name)[:40]}'", needed="its own fields", remedy="Load it again")
        if name in _LISTS:
            parts = value if isinstance(value, list) else [value]
            settings["answers"][name] = [_text(part) for part in parts[:_MOST_PARTS] if part != ""]
            continue
        text = _text(value).strip()
        if name in _LENGTHS and _BARE.fullmatch(text):
            text += f" {'in' if settings['units'] == 'in' else _LENGTHS[name]}"
        settings["answers"][name] = text


def _text(value: Any) -> str:
    if not isinstance(value, str) or len(value) > _MOST_TEXT:
        raise BadValue(
            "the page", "an entry that is no text, or a very long one", needed=f"up to {_MOST_TEXT} letters",
            remedy="Write less",
        )  # fmt: skip
    return value


def answer(job: Job, name: str) -> str:
    """The answer to a question in its own words, "" where it is not known or not yet answered."""
    value = job.settings["answers"].get(name, "")
    return value if isinstance(value, str) and value != UNKNOWN else ""


def length(job: Job, name: str) -> float | None:
    """A length that was entered [m], None where none was; raises `BadValue` for what is no length."""
    text = answer(job, name)
    return parse_length(text, where=label(name)) if text else None


def label(name: str) -> str:
    """What the pages call a setting."""
    labels = {name: words for name, (words, _) in HINTS.items()} | WALL_LENGTHS
    labels |= {
        "seen_from": "A point on the room side", "least": "Least cover", "rule": "Straightedge", "limit": "Allowed gap",
        "plumb_limit": "Allowed out of plumb", "low_limit": "Hollows worth filling", "strip": "Thickness of strips",
    }  # fmt: skip
    return labels.get(name, name)


def capturing(job: Job) -> Capturing:
    """How the capture is read and its wall found."""
    held = job.settings["answers"]
    if not job.is_scan:
        # readings have one wall, of their own size, and say themselves how they were made
        return Capturing()
    given: dict[str, Any] = {"wall": _whole(held.get("wall", ""), 1)}
    given |= {name: length(job, name) for name in WALL_LENGTHS}
    given |= {name: answer(job, name) or None for name in HINTS}
    given["capture_type"] = answer(job, "capture_type") or None
    if answer(job, "seen_from"):
        parts = answer(job, "seen_from").split(",")
        given["seen_from"] = tuple(parse_length(part, where=label("seen_from"), unit="m") for part in parts)
        if len(parts) != 3:
            raise BadValue(
                label("seen_from"), f"{len(parts)} numbers", needed="three, such as 1.5, 2, 1.2", remedy="Correct it"
            )
    given["no_opening"] = tuple(sorted({_whole(number, 0) for number in held.get("no_opening", [])} - {0}))
    return Capturing(**given)


def _whole(text: Any, otherwise: int) -> int:
    return int(text) if str(text).isascii() and str(text).isdigit() and len(str(text)) < 4 else otherwise


def testing(job: Job) -> Requirement:
    """The straightedge, and the limit where the purpose judges by one."""
    purpose, rule = what_for(answer(job, "purpose")), length(job, "rule")
    if purpose is None or purpose.command != "check":
        return Requirement.by(rule=rule)
    plumb = length(job, "plumb_limit")
    if answer(job, "tolerance"):
        return Requirement.by(tolerance=answer(job, "tolerance"))
    limit = length(job, "limit")
    return Requirement.by(
        rule=DEFAULT_RULE if rule is None else rule, limit=DEFAULT_LIMIT if limit is None else limit, plumb_limit=plumb
    )


def finishing(job: Job) -> Finishing:
    """What goes on the wall and the points its face goes through."""
    least = length(job, "least")
    plane: dict[str, Any] = {} if least is None else {"least": least}
    # the way the face goes: plumb, or as far out of plumb or square as the list of choices prices
    face = answer(job, "face")
    plane |= {f"{face}_up_to": _CHOICES[face]} if face in _CHOICES else {}
    fixed = tuple(FixedPoint(x, y, proud, beside=True) for x, y, proud in job.settings["fixed"])
    seen = tuple(sign for sign in job.settings["answers"].get("seen", []) if sign in SIGNS)
    surface = answer(job, "surface")
    order = TakeOffOptions(surface=surface) if surface else TakeOffOptions()
    return Finishing(
        plane=PlaneOptions(**plane, fixed=fixed), order=order, system=answer(job, "system") or None, seen=seen
    )


def set_out_options(job: Job) -> SetOutOptions:
    """Screeds for the straightedge there is."""
    return SetOutOptions(rule=length(job, "rule") or DEFAULT_RULE, strip=length(job, "strip"))


def low_limit(job: Job) -> float:
    """The depth from which a low spot is worth a line [m]."""
    found = length(job, "low_limit")
    return LOW_LIMIT if found is None else found


def asked(job: Job) -> tuple[Question, ...]:
    """The questions of this job; none before its purpose is chosen."""
    purpose = what_for(answer(job, "purpose"))
    if purpose is None:
        return ()
    return questions(purpose.name, is_scan=job.is_scan, units=job.settings["units"])


def unknowns(job: Job) -> list[tuple[str, str]]:
    """What was not known, and what that costs."""
    told = [
        (question.ask, f"{question.unknown} {question.cost}")
        for question in asked(job)
        if question.kind != "pick" and job.settings["answers"].get(question.name) in (None, "", [], UNKNOWN)
    ]
    if job.is_scan and not (answer(job, "width") or answer(job, "height")):
        told.append(("Its size by tape", tape_cost(answer(job, "capture_type") or CLOUD_TYPE)))
    return told


def troubles(job: Job) -> dict[str, str]:
    """What is wrong with an answer, by its field."""
    found = {}
    names: Iterable[str] = [*WALL_LENGTHS, *(q.name for q in asked(job) if q.kind == "length")]
    for name in names:
        try:
            length(job, name)
        except FlatscanError as trouble:
            found[name] = f"{trouble.found}; needed: {trouble.needed}."
    return found

"""A job's answers as what the stages take, the same settings the commands pass; and what the page calls each."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from flatscan.core.choices import AXES, LENGTH_UNITS, METHODS, SIGNS
from flatscan.core.errors import BadValue, FlatscanError
from flatscan.core.notes import note
from flatscan.core.phrase import Manner
from flatscan.core.settled import file_numbers
from flatscan.core.typed import parse_length
from flatscan.desk.asking import UNKNOWN, Question, questions, tape_cost, what_for
from flatscan.desk.folders import Job
from flatscan.jobs import Capturing, Finishing, Requirement
from flatscan.jobs.job_plan import JobPlan, plan_by
from flatscan.jobs.settings import CLOUD_TYPE, DEFAULT_LIMIT, DEFAULT_RULE, wall_named
from flatscan.plan.finish import FixedPoint, PlaneOptions
from flatscan.plan.lows import LIMIT as LOW_LIMIT
from flatscan.plan.screeds import SetOutOptions
from flatscan.plan.takeoff import TakeOffOptions
from flatscan.report.say import Said, say

# what the wall screen asks, beside the questions of `asking`
WALL_LENGTHS = {"width": "Taped width", "height": "Taped height"}
HINTS = {
    "file_unit": ("Unit of the file", LENGTH_UNITS),
    "up": ("File axis that points up", tuple(AXES)),
}
WALL_FIELDS = ("wall", "no_opening", *WALL_LENGTHS, *HINTS, "seen_from")
WALL_STEP = "The wall"
# what the pages call a setting: by its own field, or by where the page has it
_LABELS = {
    **{name: words for name, (words, _) in HINTS.items()},
    **WALL_LENGTHS,
    "seen_from": "A point on the room side",
    "least": "Least cover",
    "rule": "Straightedge",
    "limit": "Allowed gap",
    "plumb_limit": "Allowed out of plumb",
    "low_limit": "Hollows worth filling",
    "strip": "Thickness of strips",
    "wall": "Wall",
    "capture_type": "How was it scanned?",
    "fix": "Fixed points",
    "most": "Most thickness",
    "no_opening": "Openings",
    "opening": "Openings",
    "system": "What goes on the wall?",
    "surface": "What was measured",
    "lean_up_to": "Lean",
    "turn_up_to": "Turn",
    "overwrite": "Replace",
    "spacing": "At most between columns",
    "tolerance": "Document",
    "method": "How the straightedge is read",
}
# where the page has what a command does; what it has not is named as the command
_STEPS = {"survey --list": f"the step “{WALL_STEP}”", "tolerances": "the list under “Document”"}
# the unit of a bare number
_LENGTHS = {
    "least": "mm",
    "rule": "m",
    "limit": "mm",
    "plumb_limit": "mm",
    "low_limit": "mm",
    "strip": "mm",
    "width": "m",
    "height": "m",
}
LISTS = {"seen", "no_opening"}
_CHOICES = {"lean": 0.003, "turn": 0.003}
ANSWERS = frozenset(
    {*WALL_FIELDS, *_LENGTHS, *LISTS, "purpose", "capture_type", "surface", "system", "tolerance", "method", "face"}
)
_BARE = re.compile(r"\s*[\d.,/\s+-]*\d[\d.,/\s]*")
_MOST_TEXT, _MOST_PARTS = 200, 50


def take(settings: dict[str, Any], values: dict[str, Any]) -> None:
    """Put what a page sent into the answers; names that are none of ours, and what is no text, raise `BadValue`.

    A bare length is kept with the unit it was typed in, so that a change of units cannot change it.
    """
    for name, value in values.items():
        if name not in ANSWERS:
            raise BadValue(
                "the page", "a field '{name}'", needed="its own fields", remedy="Load it again", name=str(name)[:40]
            )
        if name in LISTS:
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
            "the page",
            "an entry that is no text, or a very long one",
            needed="up to {most} letters",
            remedy="Write less",
            most=_MOST_TEXT,
        )
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
    return _LABELS.get(name, name.replace("_", " "))


def manner(units: str) -> Manner:
    """How somebody at the page is spoken to: settings by their fields, commands by their steps."""
    return Manner(units, lambda name: f"“{label(name)}”", lambda words: _STEPS.get(words, f"flatscan {words}"))


def spoken_to(job: Job) -> Manner:
    """The manner of a job's page, in its units."""
    return manner(job.settings["units"])


def in_four_parts(trouble: FlatscanError, folder: Path, units: str) -> dict[str, str]:
    """Where, found, needed and remedy of a failure in the words of the page; folders of this machine stay out."""
    parts = [_without(part, folder) for part in trouble.parts(manner(units))]
    parts[1] = parts[1][:1].upper() + parts[1][1:]
    return dict(zip(("where", "found", "needed", "remedy"), parts, strict=True))


def _without(text: str, folder: Path) -> str:
    for place in {str(folder.resolve()), str(folder.absolute()), str(folder)}:
        text = text.replace(f"{place}/", "").replace(f"{place}\\", "")
    return text


def capturing(job: Job) -> Capturing:
    """How the capture is read and its wall found."""
    held = job.settings["answers"]
    if not job.is_scan:
        # readings have one wall, of their own size, and say themselves how they were made
        return Capturing()
    wall, part = _wall(held.get("wall", ""))
    given: dict[str, Any] = {"wall": wall, "part": part}
    given |= {name: length(job, name) for name in WALL_LENGTHS}
    given |= {name: answer(job, name) or None for name in HINTS}
    given["capture_type"] = answer(job, "capture_type") or None
    if answer(job, "seen_from"):
        given["seen_from"] = file_numbers(answer(job, "seen_from"), 3, "seen_from")
    given["no_opening"] = tuple(sorted({_whole(number, 0) for number in held.get("no_opening", [])} - {0}))
    return Capturing(**given)


def _wall(text: Any) -> tuple[int, str]:
    """The wall chosen, number and letter; the first where none was."""
    try:
        return wall_named(text or 1)
    except BadValue:
        return 1, ""


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
        rule=DEFAULT_RULE if rule is None else rule,
        limit=DEFAULT_LIMIT if limit is None else limit,
        plumb_limit=plumb,
        method=answer(job, "method") if answer(job, "method") in METHODS else None,
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
        plane=PlaneOptions(**plane, fixed=fixed),
        order=order,
        system=answer(job, "system") or None,
        seen=seen,
        strip=length(job, "strip"),
    )


def plan_of(job: Job) -> JobPlan:
    """The plan of the job as its answers say it; the same as the commands have by their options."""
    test = testing(job)
    asked: dict[str, Any] = {"rule": length(job, "rule"), "tolerance": tuple(entry.id for entry in test.tolerances)}
    if test.judges and not test.tolerances:
        asked |= {"limit": test.limit, "method": test.method}
    return plan_by(capturing(job), finishing(job), **{name: value for name, value in asked.items() if value})


def set_out_options(job: Job) -> SetOutOptions:
    """Screeds for the straightedge there is."""
    return SetOutOptions(rule=length(job, "rule") or DEFAULT_RULE)


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
    left: list[tuple[str, tuple[Said, ...]]] = [
        (question.ask, (question.unknown, question.cost))
        for question in asked(job)
        if question.kind != "pick" and job.settings["answers"].get(question.name) in (None, "", [], UNKNOWN)
    ]
    if job.is_scan and not (answer(job, "width") or answer(job, "height")):
        left.append(("Its size by tape", (tape_cost(answer(job, "capture_type") or CLOUD_TYPE),)))
    return [(ask, " ".join(say(part, spoken_to(job)) for part in parts)) for ask, parts in left]


def troubles(job: Job) -> dict[str, str]:
    """What is wrong with an answer, by its field."""
    found = {}
    names: Iterable[str] = [*WALL_LENGTHS, *(q.name for q in asked(job) if q.kind == "length")]
    for name in names:
        try:
            length(job, name)
        except FlatscanError as trouble:
            _, wrong, needed, _ = trouble.parts(spoken_to(job))
            found[name] = say(note("desk.trouble", found=wrong, needed=needed))
    return found

"""A job's plan as what the stages take, the same settings the commands pass; and what the pages call each."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

from flatscan.core.errors import FlatscanError
from flatscan.core.notes import note
from flatscan.core.phrase import Manner
from flatscan.desk import plans, taking
from flatscan.desk.asking import Question, questions, tape_cost, what_for
from flatscan.desk.folders import Job
from flatscan.jobs import Capturing, Finishing, Requirement
from flatscan.jobs.by_options import capturing_by, judging, settings_by
from flatscan.jobs.job_plan import JobPlan, JobRecord
from flatscan.jobs.settings import CLOUD_TYPE
from flatscan.report.say import Said, say

WALL_STEP = "The wall"
# what the pages call a setting: by its own field, or by where the page has it
_LABELS = {
    **{name: words for name, (words, _) in taking.HINTS.items()},
    **taking.WALL_LENGTHS,
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
    "finish": "The last coat",
    "mix": "The mix",
    "start": "Start of the work",
    "rates": "Your prices",
    "no_opening": "Openings",
    "opening": "Openings",
    "system": "What goes on the wall?",
    "surface": "What was measured",
    "lean_up_to": "Lean",
    "turn_up_to": "Turn",
    "overwrite": "Replace",
    "tie": "More captures",
    "confirm": "Your answer",
    "same_frame": "Both have shared coordinates",
    "reference": "Parts of the wall that nobody worked on",
    "reference_wall": "Another wall in both captures",
    "points": "Fixed points measured in both",
    "earlier_wall": "Wall of the earlier capture",
    "spacing": "Most distance between columns",
    "tolerance": "Document",
    "method": "How the straightedge is read",
    "stage": "What for",
    "seen": "Signs seen",
    "pocket": "Chases",
    "skip": "Not plastered",
    "cut": "Humps to cut",
    "job": "The wall's name",
    "accept": "It is right",
    plans.BY_HAND: "The plan, edited by hand",
}
# what a plan may say, on the page's own form for it where no question asks
_KEYS = {item.name for item in fields(JobPlan)}
# where the page has what a command does; what it has not is named as the command
_STEPS = {
    "survey": "the answers",
    "survey --list": f"the step “{WALL_STEP}”",
    "tolerances": "the list under “Document”",
}


def answer(job: Job, name: str) -> str:
    """The answer to a question as its field has it, "" where it is not known or not yet answered."""
    value = taking.shown(job.plan, name, job.settings["units"])
    return value if isinstance(value, str) else ""


def answers(job: Job) -> dict[str, str | list[str]]:
    """What stands in every field of the pages: what was typed and is no value yet, else what the plan says."""
    units, entries = job.settings["units"], job.settings["entries"]
    return {name: entries.get(name) or taking.shown(job.plan, name, units) for name in sorted(taking.FIELDS)}


def job_record(job: Job) -> JobRecord:
    """Whose job it is and when it was measured, as its plan says."""
    return job.plan.job


def label(name: str) -> str:
    """What the pages call a setting."""
    return _LABELS.get(name, name.replace("_", " "))


def labels(what: str | None) -> str | None:
    """What the pages call the parts of a plan, named with commas between; None where there are none."""
    return None if what is None else ", ".join(dict.fromkeys(label(name) for name in what.split(",")))


def manner(units: str) -> Manner:
    """How somebody at the page is spoken to: settings by their fields, commands by their steps."""
    return Manner(units, _called, lambda words: _STEPS.get(words, f"flatscan {words}"))


def _called(name: str) -> str:
    return f"“{label(name)}”" + (" in the plan" if name in _KEYS and name not in _LABELS else "")


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


def command_of(job: Job) -> str:
    """The command that the job's purpose runs, the survey before there is one."""
    purpose = what_for(job.plan.stage or "")
    return "survey" if purpose is None else purpose.command


def plan_used(job: Job, command: str) -> JobPlan:
    """The plan that a command of the job works by: a wall is checked by the usual limit where none is known."""
    return judging(job.plan) if command == "check" else job.plan


def capturing(job: Job) -> Capturing:
    """How the capture is read, whatever is planned on it."""
    return capturing_by(job.plan.options | {"same_wall": bool(job.plan.same_wall)})


def settings(job: Job, command: str) -> tuple[Capturing, Requirement, Finishing]:
    """How the capture is read, tried and planned by a command of the job; raises what its plan cannot be."""
    return settings_by(plan_used(job, command), command)


def asked(job: Job) -> tuple[Question, ...]:
    """The questions of this job; none before its purpose is chosen."""
    purpose = what_for(job.plan.stage or "")
    if purpose is None:
        return ()
    return questions(purpose.name, is_scan=job.is_scan, units=job.settings["units"])


def unknowns(job: Job) -> list[tuple[str, str]]:
    """What was not known, and what that costs."""
    held = answers(job)
    left: list[tuple[str, tuple[Said, ...]]] = [
        (question.ask, (question.unknown, question.cost))
        for question in asked(job)
        if question.kind != "pick" and not question.later and not held[question.name]
    ]
    if job.is_scan and not (held["width"] or held["height"]):
        left.append(("Its size by tape", (tape_cost(job.plan.capture_type or CLOUD_TYPE),)))
    return [(ask, " ".join(say(part, spoken_to(job)) for part in parts)) for ask, parts in left]


def troubles(job: Job) -> dict[str, str]:
    """What is wrong with what was typed, by its field; `flatscan.desk.mending` says what is at its own forms."""
    found = {}
    for name, text in job.settings["entries"].items():
        if name not in taking.FIELDS:
            continue
        trouble = taking.trouble_of(job.plan, name, text, job.settings["units"]) if text else None
        if trouble is not None:
            found[name] = wrong(trouble, spoken_to(job))
    return found


def wrong(trouble: FlatscanError, to: Manner) -> str:
    """An error in the words that stand beside its field."""
    _, found, needed, _ = trouble.parts(to)
    return say(note("desk.trouble", found=found, needed=needed))

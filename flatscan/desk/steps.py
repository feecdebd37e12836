"""The way through: one step a screen, and how far a job has come."""

from __future__ import annotations

from dataclasses import dataclass

from flatscan.desk.answering import answer
from flatscan.desk.folders import Job

_TITLES = {
    "capture": "Scan", "size": "Size", "readings": "Readings", "wall": "The wall", "purpose": "What for",
    "questions": "Questions", "answers": "Answers", "sheets": "Sheets", "evidence": "Evidence",
}  # fmt: skip
SCAN = ("capture", "wall", "purpose", "questions", "answers", "sheets", "evidence")
LASER = ("size", "readings", "purpose", "questions", "answers", "sheets", "evidence")


@dataclass(frozen=True, slots=True)
class Step:
    """One step: its address, title, number from 1, and whether the job has come far enough to open it."""

    name: str
    title: str
    number: int
    reached: bool


def names_of(job: Job) -> tuple[str, ...]:
    """Steps of this job in order: a scan has its walls to choose from, readings have their size."""
    return LASER if job.settings["readings"] is not None or job.settings["kind"] == "laser" else SCAN


def steps_of(job: Job) -> list[Step]:
    """All steps of a job."""
    has, chosen = job.capture is not None, bool(answer(job, "purpose"))
    reached = {"capture": True, "size": True, "readings": job.settings["readings"] is not None, "wall": has,
               "purpose": has}  # fmt: skip
    return [
        Step(name, _TITLES[name], number, reached.get(name, has and chosen))
        for number, name in enumerate(names_of(job), 1)
    ]


def beside(job: Job, here: str) -> tuple[str | None, str | None]:
    """The steps before and after one."""
    names = names_of(job)
    at = names.index(here) if here in names else 0
    return names[at - 1] if at else None, names[at + 1] if at + 1 < len(names) else None


def next_title(job: Job, here: str) -> str:
    """What the step after this one is called."""
    after = beside(job, here)[1]
    return "" if after is None else _TITLES[after]


def where_to_go_on(job: Job) -> str:
    """The step a job opened again goes on at: the last one that makes sense, answers at most."""
    names = names_of(job)
    reached = {step.name: step.reached for step in steps_of(job)}
    held = job.settings["readings"]
    if held is not None and not answer(job, "purpose") and any(text == "" for _, _, text in held["stations"]):
        # somebody who comes back to a wall half read goes on reading
        return "readings"
    for name in ("answers", "purpose", "wall", "readings"):
        if name in names and reached[name]:
            return "wall" if name == "purpose" and "wall" in names and not answer(job, "wall") else name
    return names[0]

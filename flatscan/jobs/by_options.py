"""What a job is asked for by the names of its options, as somebody gave them or as its plan has them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from flatscan.jobs.job_plan import JobPlan
from flatscan.jobs.settings import DEFAULT_LIMIT, Capturing, Finishing, Requirement

# a part comes with its wall, and what repeats are compared by with the rule
_OF_CAPTURES = tuple(item.name for item in fields(Capturing) if item.name not in ("part", "repeat_rule"))
_OF_FINISHES = (
    "least",
    "most",
    "lean_up_to",
    "turn_up_to",
    "fix",
    "hack_most",
    "surface",
    "old_plaster",
    "background",
    "waste",
    "system",
    "seen",
    "parallel_to",
    "square_to",
    "rates",
    "area_rule",
    "clash",
    "light",
    "stage",
    "start",
    "cut",
    "finish",
    "strip",
    "laser",
    "mix",
    "fix_reading",
)


def capturing_by(options: dict[str, Any]) -> Capturing:
    """How a capture is read by these options, which are taken out of the dict; raises as `Capturing` does."""
    given = {name: options.pop(name, None) for name in _OF_CAPTURES}
    given["wall"], given["part"] = given["wall"] or (1, "")
    return Capturing(**{name: value for name, value in given.items() if value is not None})


def finishing_by(options: dict[str, Any]) -> Finishing:
    """What is planned by these options, which are taken out of the dict; raises as `Finishing.by` does."""
    taken = {name: options.pop(name, None) for name in _OF_FINISHES}
    given = {name: value for name, value in taken.items() if value is not None}
    # typed in mm per m
    given |= {name: given[name] / 1000 for name in ("lean_up_to", "turn_up_to") if name in given}
    return Finishing.by(**given)


def judging(plan: JobPlan) -> JobPlan:
    """The plan with the usual limit where it names none: what a wall is checked by."""
    return plan if plan.tolerance or plan.limit is not None else plan.changed_by({"limit": DEFAULT_LIMIT})


def testing_by(command: str, options: Mapping[str, Any]) -> Requirement:
    """The straightedge of a command by options, and the limit where it has one; raises as `Requirement.by` does."""
    said = {
        name: options.get(name) for name in ("rule", "limit", "plumb_limit", "tolerance", "method", "accept_source")
    }
    if command == "check":
        # a published tolerance names its own straightedge
        given = {name: value for name, value in said.items() if value is not None}
        return Requirement.by(**({**given, "rule": None} if said["tolerance"] else given))
    if command == "lows" and said["limit"] is not None:
        return Requirement.by(rule=said["rule"], limit=said["limit"])
    return Requirement.by(rule=said["rule"])


def settings_by(plan: JobPlan, command: str) -> tuple[Capturing, Requirement, Finishing]:
    """What a command is asked for by a plan alone; raises what the settings do, for a system or limit not known too."""
    options = plan.options | {"same_wall": bool(plan.same_wall)}
    how, finish = capturing_by(options), finishing_by(options)
    # a name that nobody knows is said before any capture is read
    _ = finish.material
    return how, testing_by(command, options), finish

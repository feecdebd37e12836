"""The plan of a job: what is going to be done to a wall, decided once for every command, desk and paper."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from pathlib import Path
from typing import Any

from flatscan.core.choices import STAGES, SURFACES
from flatscan.core.geometry import Rectangle
from flatscan.jobs.settings import DEFAULT_RULE, DEFAULT_SYSTEM, USUAL_COVER, Capturing, Finishing
from flatscan.plan.cutting import Cut
from flatscan.plan.systems import load as load_system

Place = tuple[float, float]
# what the same plan may be said with on another day, by another person, without being another plan
_NOT_PRINTED = frozenset({"job", "start"})
# files: the plan is the same wherever they lie
_FILES = frozenset({"rates", "tie", "repeat", "same_wall"})


@dataclass(frozen=True, slots=True)
class Statement:
    """What a person states about the wall or the work, in their own words, with their name and a date."""

    text: str
    by: str = ""
    date: str = ""


@dataclass(frozen=True, slots=True)
class JobRecord:
    """Whose job it is and how it was measured, as a record of measurement carries it; empty where not stated."""

    report: str = ""
    number: str = ""
    version: str = ""
    issued: str = ""
    client: str = ""
    project: str = ""
    wall: str = ""
    drawing: str = ""
    contract: str = ""
    clause: str = ""
    people: str = ""
    instrument: str = ""
    serial: str = ""
    calibrated: str = ""
    captured: str = ""
    place: str = ""
    conditions: str = ""
    distance: str = ""
    incidence: str = ""
    deviations: str = ""


@dataclass(frozen=True, slots=True)
class JobPlan:
    """What a plan says; None or empty where it says nothing. Lengths in metres, slopes in mm per m as people give them.

    Every field has the name of the option that overrides it for one run. ``cut`` are humps by their number in the plan
    without cuts, or by place and depth. ``fix`` are points (x, y, offset, band, beside) that the face goes through,
    ``fix_reading`` points (x, y, reading) that it meets in the laser's own readings. ``same_wall`` are further captures
    of the wall, ``as_wall`` and ``not_wall`` places on objects that somebody decided about. ``width`` and ``height``
    are taped, ``no_opening`` numbers of openings found that are none, ``seen`` signs seen on site that stop the job,
    ``confirm`` answers to what was asked of two surveys.
    """

    stage: str | None = None
    system: str | None = None
    least: float | None = None
    most: float | None = None
    finish: float | None = None
    strip: float | None = None
    rule: float | None = None
    limit: float | None = None
    tolerance: tuple[str, ...] = ()
    method: str | None = None
    cut: tuple[Cut | str, ...] = ()
    shave: tuple[Cut, ...] = ()
    plumb_limit: float | None = None
    start: str | None = None
    rates: str | None = None
    surface: str | None = None
    seen: tuple[str, ...] = ()
    mix: str | None = None
    laser: float | None = None
    lean_up_to: float | None = None
    turn_up_to: float | None = None
    parallel_to: int | None = None
    square_to: int | None = None
    opening: tuple[Rectangle, ...] = ()
    pocket: tuple[Rectangle, ...] = ()
    skip: tuple[Rectangle, ...] = ()
    fix: tuple[tuple[Any, ...], ...] = ()
    fix_reading: tuple[tuple[float, float, float], ...] = ()
    capture_type: str | None = None
    up: str | None = None
    seen_from: tuple[float, ...] | None = None
    file_unit: str | None = None
    width: float | None = None
    height: float | None = None
    no_opening: tuple[int, ...] = ()
    wall: tuple[int, str] | None = None
    region: Rectangle | None = None
    crop: tuple[float, ...] | None = None
    accept: tuple[Place, ...] = ()
    accept_source: bool = False
    same_wall: tuple[str, ...] = ()
    tie: str | None = None
    repeat: tuple[str, ...] = ()
    as_wall: tuple[Place, ...] = ()
    not_wall: tuple[Place, ...] = ()
    confirm: tuple[str, ...] = ()
    statement: tuple[Statement, ...] = ()
    job: JobRecord = JobRecord()

    def changed_by(self, given: Mapping[str, Any]) -> JobPlan:
        """The plan with what was ``given`` by hand for one run, by name; what is no part of a plan is passed over."""
        names = {item.name for item in fields(self)}
        if isinstance(given.get("job"), tuple):
            # word by word: what the plan says of the others stays
            given = {**given, "job": replace(self.job, **dict(given["job"]))}
        if isinstance(given.get("tolerance"), str):
            given = {**given, "tolerance": (given["tolerance"],)}
        # a limit by hand stands instead of the plan's published one, and the other way round
        if "limit" in given and "tolerance" not in given:
            given = {"tolerance": (), **given}
        elif given.get("tolerance"):
            given = {"limit": None, "method": None, "plumb_limit": None, **given}
        return replace(self, **{name: value for name, value in given.items() if name in names})

    def with_cuts(self, cuts: Sequence[Cut]) -> JobPlan:
        """The plan with humps named by number in the places, and as deep, as its ``cuts`` were worked out.

        A number is that of the plan without cuts: once a hump is cut, its place says more. Cuts by place come first.
        """
        places = [one for one in self.cut if isinstance(one, Cut)]
        worked_out = [Cut(round(one.x, 3), round(one.y, 3), round(one.depth, 5)) for one in cuts[len(places) :]]
        return replace(self, cut=(*places, *worked_out)) if cuts else self

    @property
    def options(self) -> dict[str, Any]:
        """What the plan says, by the names of the options that it stands for; nothing it is silent about."""
        silent = (None, (), False, JobRecord())
        said = {item.name: getattr(self, item.name) for item in fields(self)}
        return {name: value for name, value in said.items() if value not in silent}

    @property
    def effective(self) -> JobPlan:
        """The plan with the usual values where it is silent about what every plan must have.

        Raises what the plan's system does when it is loaded: the last coat is the system's where the plan names none.
        """
        system = self.system or DEFAULT_SYSTEM
        finish = load_system(system).last if self.finish is None else self.finish
        usual: dict[str, Any] = {"stage": STAGES[0], "least": USUAL_COVER, "rule": DEFAULT_RULE}
        said = {name: value for name, value in usual.items() if getattr(self, name) is None}
        # the first wall is the one that nobody has to name, and bare what everybody takes it for
        wall = None if self.wall == (1, "") else self.wall
        surface = None if self.surface == SURFACES[0] else self.surface
        return replace(self, system=system, finish=finish, wall=wall, surface=surface, **said)

    @property
    def fingerprint(self) -> str:
        """The first 8 hex digits of the SHA-256 of the effective plan, without whose job it is and when it starts."""
        said = {name: _plain(name, value) for name, value in self.effective.options.items() if name not in _NOT_PRINTED}
        text = json.dumps(said, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
        return hashlib.sha256(text.encode()).hexdigest()[:8]


@dataclass(frozen=True, slots=True)
class PlanUsed:
    """What a run was planned by: what the plan ``said``, and the name of its ``file``, empty where there was none."""

    said: JobPlan = JobPlan()
    file: str = ""


def plan_by(how: Capturing, finish: Finishing | None = None, **given: Any) -> JobPlan:
    """The plan that settings amount to, as one that was written down would say it; ``given`` are more of it by name."""
    said = {name: getattr(how, name) for name in _OF_CAPTURES}
    said["wall"] = (how.wall, how.part)
    if finish is not None:
        plane = finish.plane
        said |= {name: getattr(finish, name) for name in _OF_FINISHES} | {"least": plane.least, "most": plane.most}
        said |= {name: getattr(plane, name) * 1000 or None for name in ("lean_up_to", "turn_up_to")}
        said["surface"] = None if finish.order.surface == SURFACES[0] else finish.order.surface
        said["fix"] = tuple((at.x, at.y, at.offset, at.band, at.beside) for at in plane.fixed)
        # a stage that nobody named is that of the command
        said["stage"] = None if finish.stage == STAGES[0] else finish.stage
    return JobPlan(**said).changed_by({name: value for name, value in given.items() if value is not None})


_OF_CAPTURES: tuple[str, ...] = (
    "opening",
    "pocket",
    "skip",
    "capture_type",
    "up",
    "seen_from",
    "file_unit",
    "width",
    "height",
    "no_opening",
    "region",
    "crop",
    "accept",
    "tie",
    "repeat",
    "as_wall",
    "not_wall",
)
_OF_FINISHES: tuple[str, ...] = (
    "system",
    "seen",
    "finish",
    "strip",
    "cut",
    "shave",
    "start",
    "rates",
    "mix",
    "laser",
    "parallel_to",
    "square_to",
    "fix_reading",
)


def _plain(name: str, value: Any) -> Any:
    """A value as it counts for a fingerprint: lengths to the micrometre, files by their name."""
    if isinstance(value, (tuple, list)):
        parts = [_plain(name, part) for part in value]
        # in whichever order humps are cut, it is one plan
        return sorted(parts, key=str) if name == "cut" else parts
    if is_dataclass(value) and not isinstance(value, type):
        return {item.name: _plain(item.name, getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, float):
        # never -0.0, and 1 and 1.0 are one length
        return round(value, 6) + 0.0
    return Path(value).name if name in _FILES and isinstance(value, str) else value

"""Jobs as plain folders: one a wall, with its capture, its settings and its results; nothing is kept anywhere else."""

from __future__ import annotations

import hashlib
import json
import os
import re
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from flatscan.core.errors import BadValue, FlatscanError, OutputError, ReadError, unwritten
from flatscan.core.records import from_plain, to_plain
from flatscan.desk import plans, taking
from flatscan.desk.arriving import Arrived
from flatscan.desk.line_photos import UNASKED
from flatscan.desk.station_states import counted
from flatscan.jobs.job_plan import JobPlan
from flatscan.jobs.plan_file import NAME
from flatscan.report.plan_text import plan_text
from flatscan.report.staging import room_in, settle

SETTINGS, READINGS = "settings.json", "readings.csv"
SCHEMA = 1
# a state that no job has: what was made of another capture
ANOTHER = "another"
Plain = dict[str, Any]
NUMBERED = re.compile(r"wall-[0-9]{3,6}", re.ASCII)


@dataclass(frozen=True, slots=True)
class _Typed:
    """Readings typed at the wall: its size and the stations' spacing [m], and what was entered at x, y.

    By a station's key: ``typing`` is what is being typed there, ``doubtful`` names those that wait for a second look,
    ``kept`` those that stand in spite of a doubt. ``mark`` tells this wall from any other of its name.
    """

    width: float
    height: float
    spacing: float
    unit: str
    sense: str
    stations: tuple[tuple[float, float, str], ...]
    again: str = ""
    typing: dict[str, str] = field(default_factory=dict)
    doubtful: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()
    mark: str = ""


@dataclass(frozen=True, slots=True)
class _Settings:
    """The settings of a job as they stand in its folder, beside its plan.

    ``entries`` are what was typed into fields and is no value yet. ``plan`` is the text of the plan as this page wrote
    it last, ``past`` what it was before (text, what changed then), ``undone`` what was taken back. ``answers``,
    ``fixed`` and ``cut`` are those of a job begun before jobs had plans: a plan is made of them, once. ``stated`` is
    what a seal states, ``named`` what the senders of files beside the capture call these, ``against`` what was asked
    of a comparison.
    """

    schema: int = SCHEMA
    revision: int = 0
    title: str = ""
    units: str = "mm"
    kind: str = ""
    capture: Arrived | None = None
    readings: _Typed | None = None
    answers: dict[str, str | tuple[str, ...]] = field(default_factory=dict)
    fixed: tuple[tuple[float, float, float], ...] = ()
    cut: tuple[tuple[float, float], ...] = ()
    entries: dict[str, str] = field(default_factory=dict)
    plan: str = ""
    past: tuple[tuple[str, str], ...] = ()
    undone: tuple[tuple[str, str], ...] = ()
    sheets: str = ""
    seal: tuple[str, ...] = ()
    stated: dict[str, str] = field(default_factory=dict)
    named: dict[str, str] = field(default_factory=dict)
    against: dict[str, str] = field(default_factory=dict)


def unused_settings(title: str, units: str) -> _Settings:
    """Settings of a job that is no wall's."""
    return _Settings(title=title, units=units)


class OtherTab(BadValue):
    """A change that stands on settings somebody else has changed since."""


class NoWall(ReadError):
    """A name that is none of the walls in the folder."""


@dataclass(frozen=True, eq=False)
class Job:
    """One wall: its name (that of its folder), its folder, its settings and the text of its plan as they were read."""

    name: str
    folder: Path
    settings: Plain
    text: str = ""

    @property
    def revision(self) -> str:
        """What tells this state of the wall from any other: how often it was written here, and which plan it has."""
        return f"{self.settings['revision']}-{hashlib.sha256(self.text.encode()).hexdigest()[:8]}"

    @cached_property
    def plan(self) -> JobPlan:
        """The plan in the job's folder; raises as `plans.plan_in` does where somebody broke it."""
        if self.text or not (self.settings["answers"] or self.settings["fixed"]):
            return plans.plan_in(self.text, self.folder)
        return taking.of_answers(self.settings["answers"], self.settings["fixed"], self.settings["units"])

    @property
    def broken(self) -> FlatscanError | None:
        """What is wrong with the plan in the job's folder, None where nothing is."""
        try:
            _ = self.plan
        except FlatscanError as trouble:
            return trouble
        return None

    @property
    def capture(self) -> Path | None:
        """The capture file, None where there is none yet."""
        taken = self.settings["capture"]
        if taken is not None and taken["holds"] == UNASKED:
            return None
        if taken is not None:
            return self.folder / str(taken["file"])
        return self.folder / READINGS if self.settings["readings"] and (self.folder / READINGS).exists() else None

    @property
    def is_scan(self) -> bool:
        """Whether the wall was scanned; else it was read with a laser, here or in a file that was dropped."""
        taken = self.settings["capture"]
        return self.settings["readings"] is None and (taken is None or taken.get("holds") != "stations")

    @property
    def state(self) -> str:
        """What results depend on, as one short text: they are of these settings and this plan while it is the same."""
        held = {name: self.settings[name] for name in ("units", "capture", "readings", "title")}
        if held["readings"] is not None:
            held["readings"] = counted(held["readings"])
        held["plan"] = self.text if self.broken else repr(self.plan)
        return hashlib.sha256(json.dumps(held, sort_keys=True).encode()).hexdigest()[:16]

    @property
    def title(self) -> str:
        """The wall's name in its user's words."""
        return str(self.settings["title"]) or self.name

    @property
    def results(self) -> Path:
        """Where the sheets go."""
        return self.folder


class Jobs:
    """All jobs of one folder. Names come from here, never from a browser; settings are written whole or not at all."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._lock = threading.Lock()
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as reason:
            raise _cannot(folder, reason) from None

    def all(self) -> list[Job]:
        """Every job that can be read, the newest number first."""
        names = [place.name for place in self.folder.iterdir() if NUMBERED.fullmatch(place.name)]
        jobs = []
        for name in sorted(names, key=lambda name: -int(name[5:])):
            try:
                jobs.append(self.get(name))
            except ReadError:
                # a folder somebody emptied: it is theirs, and no reason to refuse the others
                continue
        return jobs

    def alone(self) -> threading.Lock:
        """The lock to hold while folders of walls come and go."""
        return self._lock

    def new(self, title: str, units: str) -> Job:
        """An empty job with the next free number."""
        with self._lock:
            taken = [int(place.name[5:]) for place in self.folder.iterdir() if NUMBERED.fullmatch(place.name)]
            name = f"wall-{max(taken, default=0) + 1:03d}"
            try:
                (self.folder / name).mkdir(mode=0o700)
            except OSError as reason:
                raise _cannot(self.folder / name, reason) from None
        return self._write(Job(name, self.folder / name, to_plain(_Settings(title=title, units=units))), "")

    def get(self, name: str) -> Job:
        """The job of that name; raises `ReadError` for a name that is none, or settings that cannot be read."""
        folder = self.folder / name
        if not NUMBERED.fullmatch(name) or not (folder / SETTINGS).is_file():
            raise NoWall(
                "wall", "no such wall here", needed="one of the list", remedy="Go back to all walls and choose one"
            )
        # what a run that was killed left half moved is moved back before a page shows it
        settle(folder)
        try:
            read = json.loads((folder / SETTINGS).read_bytes())
            written = read.get("schema") if isinstance(read, dict) else None
            if isinstance(written, int) and written > SCHEMA:
                raise _newer(folder / SETTINGS, written)
            settings = from_plain(_Settings, read)
            if settings.schema != SCHEMA:
                raise ValueError("another schema")
        except (OSError, ValueError, RecursionError) as reason:
            raise ReadError(
                folder / SETTINGS,
                "it cannot be read ({reason})",
                needed="settings as this page writes them",
                remedy="Bring back a copy of the file, or begin the wall anew with the capture in its folder",
                reason=str(reason),
            ) from None
        return Job(name, folder, to_plain(settings), plans.text_in(folder))

    def keep(
        self,
        name: str,
        revision: str,
        change: Callable[[Plain], object] = lambda _: None,
        replan: Callable[[JobPlan], JobPlan] | None = None,
        *,
        typed: bool = False,
    ) -> Job:
        """Settings with a change, and the plan with another, written; what is ``typed`` is one change until it is done.

        `OtherTab` where ``revision`` is not the one that stands in the folder; where the plan stays as it is, somebody
        else may have changed that. Raises as `plans.plan_in` does for a plan that is broken.
        """
        with self._lock:
            job = self._at(name, revision, whole=replan is not None)
            if replan is None:
                change(job.settings)
                return self._write(job, job.text)
            text, plan = job.text, replan(job.plan)
            change(job.settings)
            if plan != job.plan or (plan != JobPlan() and not text):
                text = plan_text(plan, job.text, job.folder / NAME)
                what = plans.what_changed(plans.plan_in(job.text, job.folder), plan)
                plans.changed(job.settings, job.text, text, what, typed=typed)
            job.settings.update(answers={}, fixed=[], cut=[])
            return self._write(job, text)

    def note(self, name: str, change: Callable[[Plain], object]) -> Job:
        """Settings with a change that tells for itself what stands there already, or notes what was made of them.

        One that no result depends on, such as half a reading, leaves the revision: other windows need not mind it.
        """
        with self._lock:
            job = self.get(name)
            before = job.state
            change(job.settings)
            return self._write(job, job.text, counts=job.state != before)

    def put_plan(self, name: str, revision: str, choose: Callable[[Job], str]) -> Job:
        """Another text in place of the plan, broken or not; ``choose`` may note in the settings what it was before."""
        with self._lock:
            job = self._at(name, revision, whole=True)
            text = choose(job)
            job.settings.update(answers={}, fixed=[], cut=[])
            return self._write(job, text)

    def _at(self, name: str, revision: str, *, whole: bool) -> Job:
        job = self.get(name)
        here, there = (text if whole else text.partition("-")[0] for text in (job.revision, revision))
        if here != there:
            raise OtherTab(
                "this wall",
                "it was changed in another window, on another phone or in its folder since this page was opened",
                needed="the page as it stands now",
                remedy="Open this page again to see what stands there; your last entry was not saved",
            )
        return job

    def _write(self, job: Job, plan: str, *, counts: bool = True) -> Job:
        settings = job.settings | {"revision": int(job.settings["revision"]) + counts}
        text = json.dumps(settings, ensure_ascii=False, indent=1, sort_keys=True) + "\n"
        if plan != job.text:
            # a plan without its settings is one that somebody edited by hand: nothing is lost in between
            write_through(job.folder / NAME, plan.encode())
        write_through(job.folder / SETTINGS, text.encode())
        return Job(job.name, job.folder, settings, plan)


def _newer(path: Path, schema: int) -> ReadError:
    return ReadError(
        path,
        "it was written by a newer version (settings {there}, this one knows {here})",
        needed="that version",
        remedy="Open this wall with the newer version",
        there=schema,
        here=SCHEMA,
    )


def write_through(path: Path, content: bytes) -> None:
    """Write a file beside its place and rename it once the disk has it: a dead battery leaves the old or the new.

    Raises `OutputError` where the disk will not take it.
    """
    try:
        with room_in(path.parent) as room:
            with open(room / "file", "wb", opener=private) as stream:  # noqa: PTH123
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
            (room / "file").replace(path)
    except OSError as reason:
        raise _cannot(path, reason) from None


def private(path: str, flags: int) -> int:
    """How a file is opened that only its owner may read, whatever the system's habit."""
    return os.open(path, flags, 0o600)


def _cannot(path: Path, reason: OSError) -> OutputError:
    return unwritten(path, reason, "Make room, or start again with another folder: {run:desk --folder ...}")

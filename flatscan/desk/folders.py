"""Jobs as plain folders: one a wall, with its capture, its settings and its results; nothing is kept anywhere else."""

from __future__ import annotations

import hashlib
import json
import os
import re
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from flatscan.core.errors import BadValue, OutputError, ReadError
from flatscan.core.records import from_plain, to_plain
from flatscan.report.staging import room_in, settle

SETTINGS, RESULTS, READINGS = "settings.json", "results", "readings.csv"
SCHEMA = 1
Plain = dict[str, Any]
_NAME = re.compile(r"wall-[0-9]{3,6}", re.ASCII)


@dataclass(frozen=True, slots=True)
class _Taken:
    """The capture in a job's folder: its file, what its user called it, and what it holds."""

    file: str
    name: str
    holds: str


@dataclass(frozen=True, slots=True)
class _Typed:
    """Readings typed at the wall: its size and the stations' spacing [m], and what was typed at x, y."""

    width: float
    height: float
    spacing: float
    unit: str
    sense: str
    stations: tuple[tuple[float, float, str], ...]
    again: str = ""


@dataclass(frozen=True, slots=True)
class _Settings:
    """The settings of a job as they stand in its folder; ``fixed`` are places with how far they stand proud [m]."""

    schema: int = SCHEMA
    revision: int = 0
    title: str = ""
    units: str = "mm"
    kind: str = ""
    capture: _Taken | None = None
    readings: _Typed | None = None
    answers: dict[str, str | tuple[str, ...]] = field(default_factory=dict)
    fixed: tuple[tuple[float, float, float], ...] = ()
    cut: tuple[tuple[float, float], ...] = ()
    sheets: str = ""
    seal: tuple[str, ...] = ()


class OtherTab(BadValue):
    """A change that stands on settings somebody else has changed since."""


class NoWall(ReadError):
    """A name that is none of the walls in the folder."""


@dataclass(frozen=True, eq=False)
class Job:
    """One wall: its name (that of its folder), its folder, and its settings as they were read."""

    name: str
    folder: Path
    settings: Plain

    @property
    def revision(self) -> int:
        """How many times the settings were written."""
        return int(self.settings["revision"])

    @property
    def capture(self) -> Path | None:
        """The capture file, None where there is none yet."""
        taken = self.settings["capture"]
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
        """What results depend on, as one short text: they are of these settings while it is the same."""
        held = {name: self.settings[name] for name in ("units", "capture", "readings", "answers", "fixed", "title")}
        return hashlib.sha256(json.dumps(held, sort_keys=True).encode()).hexdigest()[:16]

    @property
    def title(self) -> str:
        """The wall's name in its user's words."""
        return str(self.settings["title"]) or self.name

    @property
    def results(self) -> Path:
        """Where the sheets go."""
        return self.folder / RESULTS


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
        names = [place.name for place in self.folder.iterdir() if _NAME.fullmatch(place.name)]
        jobs = []
        for name in sorted(names, key=lambda name: -int(name[5:])):
            try:
                jobs.append(self.get(name))
            except ReadError:
                # a folder somebody emptied: it is theirs, and no reason to refuse the others
                continue
        return jobs

    def new(self, title: str, units: str) -> Job:
        """An empty job with the next free number."""
        with self._lock:
            taken = [int(place.name[5:]) for place in self.folder.iterdir() if _NAME.fullmatch(place.name)]
            name = f"wall-{max(taken, default=0) + 1:03d}"
            try:
                (self.folder / name).mkdir()
            except OSError as reason:
                raise _cannot(self.folder / name, reason) from None
        return self._write(Job(name, self.folder / name, to_plain(_Settings(title=title, units=units))))

    def get(self, name: str) -> Job:
        """The job of that name; raises `ReadError` for a name that is none, or settings that cannot be read."""
        folder = self.folder / name
        if not _NAME.fullmatch(name) or not (folder / SETTINGS).is_file():
            raise NoWall(
                "wall", "no such wall here", needed="one of the list", remedy="Go back to all walls and choose one"
            )
        # what a run that was killed left half moved is moved back before a page shows it
        settle(folder / RESULTS)
        try:
            settings = from_plain(_Settings, json.loads((folder / SETTINGS).read_bytes()))
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
        return Job(name, folder, to_plain(settings))

    def keep(self, name: str, revision: int, change: Callable[[Plain], None]) -> Job:
        """Settings with a change, written; `OtherTab` where ``revision`` is not the one that stands in the folder."""
        with self._lock:
            job = self.get(name)
            if job.revision != revision:
                raise OtherTab(
                    "this wall",
                    "it was changed in another window or on another phone since this page was opened",
                    needed="the page as it stands now",
                    remedy="Open this page again to see what stands there; your last entry was not saved",
                )
            change(job.settings)
            return self._write(job)

    def _write(self, job: Job) -> Job:
        settings = job.settings | {"revision": job.revision + 1}
        text = json.dumps(settings, ensure_ascii=False, indent=1, sort_keys=True) + "\n"
        write_through(job.folder / SETTINGS, text.encode())
        return Job(job.name, job.folder, settings)


def write_through(path: Path, content: bytes) -> None:
    """Write a file beside its place and rename it once the disk has it: a dead battery leaves the old or the new."""

    def fill(stream: IO[bytes]) -> None:
        stream.write(content)

    write_stream(path, fill)


def write_stream(path: Path, fill: Callable[[IO[bytes]], None]) -> None:
    """`write_through` for what is too large for memory; raises `OutputError` where the disk will not take it."""
    try:
        with room_in(path.parent) as room:
            with (room / "file").open("wb") as stream:
                fill(stream)
                stream.flush()
                os.fsync(stream.fileno())
            (room / "file").replace(path)
    except OSError as reason:
        raise _cannot(path, reason) from None


def _cannot(path: Path, reason: OSError) -> OutputError:
    return OutputError(
        path,
        "it cannot be written ({reason})",
        needed="a folder that can be written to, with room on its disk",
        remedy="Make room, or start again with another folder: {run:desk --folder ...}",
        reason=(reason.strerror or str(reason)).lower(),
    )

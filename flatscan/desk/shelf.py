"""Walls put away and brought back: a copy, a bin, and folders that cannot be opened, which are listed as such."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from flatscan.core.errors import FlatscanError, ReadError, unwritten
from flatscan.desk.arriving import is_capture
from flatscan.desk.folders import NUMBERED, READINGS, SETTINGS, Job, Jobs, NoWall
from flatscan.jobs.plan_file import NAME
from flatscan.report.staging import room_in

BIN = "bin"


@dataclass(frozen=True)
class Damaged:
    """A wall's folder that cannot be opened, and why."""

    name: str
    trouble: FlatscanError


def every_wall(jobs: Jobs) -> tuple[list[Job], list[Damaged]]:
    """All walls that can be opened, and all that cannot, the newest number first."""
    found, damaged = list[Job](), list[Damaged]()
    for name in names_in(jobs.folder):
        try:
            found.append(jobs.get(name))
        except NoWall:
            trouble = ReadError(
                f"{name}/{SETTINGS}",
                "the file is not there",
                needed="the settings of the wall",
                remedy="Bring back a copy of the file, or begin the wall anew with the scan in its folder",
            )
            damaged.append(Damaged(name, trouble))
        except FlatscanError as trouble:
            damaged.append(Damaged(name, trouble))
    return found, damaged


def names_in(folder: Path) -> list[str]:
    """Names of walls' folders, the newest number first."""
    if not folder.is_dir():
        return []
    names = [place.name for place in folder.iterdir() if NUMBERED.fullmatch(place.name) and place.is_dir()]
    return sorted(names, key=lambda name: -int(name[5:]))


def in_bin(jobs: Jobs) -> list[tuple[str, str]]:
    """What lies in the bin, the last number first: its name there, and what its user called it."""
    inside = Jobs(jobs.folder / BIN) if (jobs.folder / BIN).is_dir() else None
    return [] if inside is None else [(name, _title(inside, name)) for name in names_in(inside.folder)]


def _title(jobs: Jobs, name: str) -> str:
    try:
        return jobs.get(name).title
    except FlatscanError:
        return name


def put_away(jobs: Jobs, name: str) -> None:
    """Move a wall's folder into the bin, whole; also one that cannot be opened."""
    _move(jobs, jobs.folder, name, jobs.folder / BIN)


def bring_back(jobs: Jobs, name: str) -> str:
    """Move a wall out of the bin; returns its name, a new one where another wall has its number by now."""
    return _move(jobs, jobs.folder / BIN, name, jobs.folder)


def _move(jobs: Jobs, source: Path, name: str, to: Path) -> str:
    with jobs.alone():
        if name not in names_in(source):
            raise NoWall("wall", "no such wall here", needed="one of the list", remedy="Go back to all walls")
        try:
            to.mkdir(mode=0o700, exist_ok=True)
            free = name if not (to / name).exists() else _next(to)
            (source / name).rename(to / free)
        except OSError as reason:
            raise unwritten(to / name, reason, "Close what has its files open") from None
    return free


def copy(jobs: Jobs, name: str) -> str:
    """Another wall with the same scan or readings, settings and plan, and nothing that was made of them."""
    job = jobs.get(name)
    with jobs.alone():
        free = _next(jobs.folder)
        try:
            with room_in(jobs.folder) as room:
                place = room / free
                place.mkdir(mode=0o700)
                for path in _own(job):
                    whole = shutil.copytree if path.is_dir() else shutil.copy2
                    whole(path, place / path.relative_to(job.folder))
                place.replace(jobs.folder / free)
        except OSError as reason:
            raise unwritten(jobs.folder / free, reason, "Make room") from None
    made = jobs.get(free)
    jobs.keep(free, made.revision, lambda settings: settings.update(_unmade(job)))
    return free


def _unmade(job: Job) -> dict[str, object]:
    """Settings of a copy that are not those of its wall: nothing was made of it yet."""
    return {"sheets": "", "seal": [], "against": {}, "title": f"{job.title}, copy"}


def _own(job: Job) -> Iterator[Path]:
    """What a wall's folder holds that was not made of something else in it."""
    plan = job.plan if job.broken is None else None
    named = () if plan is None else (plan.rates, plan.tie, *plan.repeat, *plan.same_wall)
    kept = {SETTINGS, NAME, READINGS, *(Path(one).name for one in named if one is not None)}
    for path in job.folder.iterdir():
        if not path.is_symlink() and (path.name in kept or is_capture(path.name)):
            yield path


def _next(folder: Path) -> str:
    return f"wall-{max((int(name[5:]) for name in names_in(folder)), default=0) + 1:03d}"

"""One task, from file to record: what a worker does, on this machine or another."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from flatscan import jobs, report
from flatscan.core.errors import FlatscanError, OutputError, ReadError
from flatscan.core.model import Cloud, Readings
from flatscan.core.records import from_plain, to_plain
from flatscan.jobs.belonging import in_job
from flatscan.plan.coats import OrderLine
from flatscan.report.limits import limit_how
from flatscan.report.parts import Report
from flatscan.report.site_report import JudgedBy, WallSaid
from flatscan.site import buildings
from flatscan.site.job import SCHEMA, Task
from flatscan.site.proposals import pictures
from flatscan.wall import Room


@dataclass(frozen=True)
class Outcome:
    """What came of a task: its record (plain JSON), the sheets as bytes, and an error that must stop the whole run."""

    record: dict[str, Any]
    sheets: dict[str, bytes] = field(default_factory=dict)
    fatal: FlatscanError | None = None


def do(task: Task) -> Outcome:
    """Do one task; what is wrong with the capture becomes part of the record and never an exception."""
    try:
        return _look(task) if task.kind == "look" else _wall(task)
    except OutputError as error:
        return Outcome(failed(task, error, again=True), fatal=error)
    except FlatscanError as error:
        # a disk that went away or a memory that was full is no fault of the file: the next run tries again
        passing = isinstance(error.__cause__ or error.__context__, (OSError, MemoryError))
        return Outcome(failed(task, error, again=passing), {} if passing else _proposed(task, error))


def _proposed(task: Task, error: FlatscanError) -> dict[str, bytes]:
    """Pictures of what an error asks."""
    if not error.choices:
        return {}
    with _scratch(task) as folder:
        folder.mkdir()
        return pictures(task, error, folder)


def guarded(task: Task, work: Callable[[Task], Outcome] = do) -> Outcome:
    """Do one task and let nothing out: a full memory or a fault of ours in one wall must not stop the others."""
    try:
        return work(task)
    except MemoryError:
        full = FlatscanError(
            task.capture.path,
            "the memory allowed for one wall is full",
            needed="fewer points or larger cells",
            remedy="Run with fewer {set:jobs}, or with a larger {set:cell}",
        )
        return Outcome(failed(task, full, again=True))
    except Exception as error:
        fault = FlatscanError(
            task.capture.path,
            "unexpected {kind}: {error}",
            needed="a program without this fault",
            remedy="This is a fault of flatscan: please report it",
            kind=type(error).__name__,
            error=str(error),
        )
        return Outcome(failed(task, fault, again=True))


def failed(task: Task, error: FlatscanError, *, again: bool = False) -> dict[str, Any]:
    """Record of a task not done; ``again`` if the next run shall try anew, the input being sound."""
    # the name alone: the same site gives the same words wherever it lies
    named = error.calling(str(task.capture.path), task.capture.path.name)
    return _head(task) | {"status": "failed", "error": to_plain(named)} | ({"again": True} if again else {})


def _head(task: Task) -> dict[str, Any]:
    capture_ = task.capture
    return {
        "schema": SCHEMA,
        "kind": task.kind,
        "key": task.key,
        "slug": task.slug,
        "capture": capture_.slug,
        "title": task.title,
        "file": capture_.path.name,
        "part": task.part,
        "number": task.number,
        "level": task.level,
        **capture_.labels(),
    }


def _look(task: Task) -> Outcome:
    """The walls of a capture; a scan of many rooms is cut into rooms first, and each of them is looked at later."""
    how, taken = task.capture.settings.how, _read(task)
    record = _head(task) | {"status": "done"}
    if isinstance(taken, Readings):
        return Outcome(record | {"rooms": [], "walls": 1, "room": None})
    if not task.part and buildings.is_building(taken, how.up):
        parts, notes = buildings.split(taken, Path(task.parts), how.up)
        if len(parts) > 1:
            return Outcome(record | {"rooms": parts, "walls": 0, "room": None, "notes": to_plain(notes)})
    room = jobs.find_room(taken, how)
    return Outcome(record | {"rooms": [], "walls": len(room.walls), "room": to_plain(room)})


def _wall(task: Task) -> Outcome:
    """Survey one wall and, where there is a limit, judge it; its sheets as bytes."""
    settings, taken = task.capture.settings, _read(task)
    how = replace(settings.how, wall=task.number, part=task.level or settings.how.part)
    if settings.for_all and isinstance(taken, Readings):
        # said for a folder of scans and readings alike: these are for clouds
        how = replace(how, capture_type=None, cell=None, up=None)
    seen = jobs.see(task.capture.path, how, taken=taken, room=task.room)
    seen = replace(seen, title=seen.title or task.title)
    found = in_job(jobs.site_wall(seen, settings.test, settings.finish), settings.plan)
    with _scratch(task) as folder:
        written = report.write(found, folder, units=settings.units, formats=settings.formats)
        sheets = {path.name: path.read_bytes() for path in written}
    full = report.report_of(found)
    record = {"document": report.document(full), "said": to_plain(_said(found, full)), "order": _order(found)}
    return Outcome(_head(task) | {"status": "done"} | record, sheets)


def _said(found: jobs.SiteWall, full: Report) -> WallSaid:
    """What a summary says of a wall: stop signs, and each criterion with its value and u."""
    criteria = () if found.verdict is None else found.verdict.criteria
    judged = tuple(JudgedBy(one.name, one.measured, limit_how(one), one.depends) for one in criteria)
    return WallSaid(full.stops, judged)


def _order(found: jobs.Survey) -> list[dict[str, Any]]:
    """The order in full precision, so that walls can be added up and rounded once."""
    lines: tuple[OrderLine, ...] = found.plan.take_off.order
    names = ("product", "unit", "kg", "low", "high", "wanted", "order")
    return [{name: getattr(line, name) for name in names} for line in lines]


def _read(task: Task) -> Cloud | Readings:
    """The capture, or the room cut out of it; raises `ReadError` where the file is not the one that was planned."""
    settings = task.capture.settings
    if task.part:
        return buildings.read_part(Path(task.parts), task.part)
    taken = jobs.read(task.capture.path, settings.how)
    if task.sha256 and taken.origin.sha256 != task.sha256:
        raise ReadError(
            task.capture.path,
            "the file changed while the site was worked on",
            needed="a file that stays as it is",
            remedy="Run the same command again when the file is complete",
        )
    return taken


@contextmanager
def _scratch(task: Task) -> Iterator[Path]:
    try:
        with tempfile.TemporaryDirectory(prefix="work-", dir=task.scratch) as folder:
            yield Path(folder) / "sheets"
    except OSError as error:
        raise OutputError(
            task.scratch,
            "cannot be written ({reason})",
            needed="room for the sheets of one wall",
            remedy="Make room and run the same command again",
            reason=str(error.strerror or error),
        ) from error


def room_of(record: dict[str, Any]) -> Room | None:
    """The walls that a look found, as they were; raises `ValueError` where they are not as we write them."""
    return None if record["room"] is None else from_plain(Room, record["room"])

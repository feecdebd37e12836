"""What is to be done on a site: the captures listed, and the two kinds of task that they become."""

from __future__ import annotations

import hashlib
import json
import os
import re
import unicodedata
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from flatscan import __version__
from flatscan.capture import formats, is_folder
from flatscan.core.errors import BadTable, FlatscanError, ReadError
from flatscan.core.notes import Note
from flatscan.core.table import Column, read_table
from flatscan.jobs import Capturing, Finishing, Requirement
from flatscan.jobs.job_plan import PlanUsed
from flatscan.report import FORMATS
from flatscan.wall import Room

# the shape of records; those of another are done again
SCHEMA = 8
_LONGEST = 80


@dataclass(frozen=True, slots=True)
class Settings:
    """How a capture is read, tested and planned; ``wall`` is None for all the walls that are found in it.

    ``for_all`` says that they were given for all captures of a folder: a table of readings then follows those that it
    can follow. ``formats`` are the kinds of sheets wanted of each wall. ``plan`` is the plan of the job.
    """

    how: Capturing = Capturing()
    test: Requirement = Requirement()
    finish: Finishing = Finishing()
    wall: int | None = None
    units: str = "mm"
    for_all: bool = False
    formats: tuple[str, ...] = FORMATS
    plan: PlanUsed = PlanUsed()


@dataclass(frozen=True, slots=True)
class Capture:
    """One capture of the site: its file, what it is called and where it belongs, and how it is worked on.

    ``trade`` is whose work is judged, in the user's own words. ``slug`` is the name of its folder of sheets,
    different for every capture of a site; ``listed`` is the file as the folder or the list has it.
    """

    path: Path
    name: str
    floor: str = ""
    room: str = ""
    trade: str = ""
    settings: Settings = Settings()
    slug: str = ""
    listed: str = ""

    def labels(self) -> dict[str, str]:
        """What the summary calls it by."""
        return {"floor": self.floor, "room": self.room, "name": self.name, "trade": self.trade}


@dataclass(frozen=True, eq=False)
class Task:
    """One process's work: ``look`` for the walls of a capture, or survey and judge one ``wall`` of it.

    ``sha256`` is the file's, so that a file that changes between planning and reading is noticed. ``room`` brings the
    walls that an earlier look found, ``level`` is the letter of one level of a wall, ``part`` the points of a room cut
    out of the scan of a building.
    ``scratch`` is a folder for what does not outlive the task (None: the system's), ``parts`` the folder in which
    rooms cut out of scans of buildings wait for their turn.
    """

    kind: Literal["look", "wall"]
    capture: Capture
    sha256: str
    number: int = 1
    level: str = ""
    room: Room | None = None
    part: str = ""
    scratch: str | None = None
    parts: str = ""
    several: bool = False
    weight: float = 1.0
    key: str = field(default="", compare=False)

    @property
    def slug(self) -> str:
        """Name of the folder this task's result stands in."""
        tail = f"-{self.part}" if self.part else ""
        return (
            self.capture.slug
            + tail
            + (f"-wall-{self.number}{self.level}" if self.kind == "wall" and self.several else "")
        )

    @property
    def title(self) -> str:
        """What the wall is called on its sheets."""
        capture = self.capture
        words = [capture.floor, capture.room, capture.name]
        words += [self.part.replace("-", " ")] if self.part else []
        words += [f"wall {self.number}{self.level}"] if self.kind == "wall" and self.several else []
        return ", ".join(word for word in words if word)


def keyed(task: Task) -> Task:
    """The task with its key: a hash of the file's contents and of every setting that its result depends on."""
    capture = task.capture
    words = {
        "flatscan": __version__,
        "schema": SCHEMA,
        "kind": task.kind,
        "sha256": task.sha256,
        "title": task.title,
        "number": task.number,
        "level": task.level,
        "part": task.part,
        "file": capture.path.name,
        "labels": capture.labels(),
        "settings": asdict(capture.settings),
    }
    words["files"] = _file_hashes(words["settings"])
    text = json.dumps(words, sort_keys=True, default=_plain)
    return replace(task, key=hashlib.sha256(text.encode()).hexdigest())


def _file_hashes(value: Any) -> list[str]:
    """Hashes of the contents of the files that settings name, such as a material system of the user's own."""
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, (list, tuple)):
        return [found for part in value for found in _file_hashes(part)]
    if isinstance(value, (str, Path)) and Path(value).suffix and Path(value).is_file():
        return [hashlib.sha256(Path(value).read_bytes()).hexdigest()]
    return []


def _plain(value: Any) -> object:
    return sorted(map(str, value)) if isinstance(value, (set, frozenset)) else str(value)


def slug_of(*words: str) -> str:
    """A folder name out of words that people wrote: small letters, digits, dots and dashes, never a path.

    >>> slug_of("Ground floor", "../Kitchen", "Nordwand (alt)")
    'ground-floor-kitchen-nordwand-alt'
    """
    text = unicodedata.normalize("NFKD", "-".join(words)).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", text).strip("-")[:_LONGEST].strip("-") or "wall"


def with_slugs(captures: list[Capture]) -> list[Capture]:
    """The captures with folder names of their own, in the order given; equal names are told apart by a number."""
    taken: set[str] = set()
    named = []
    for capture in captures:
        base = slug_of(*(word for word in (capture.floor, capture.room, capture.name) if word))
        slug, number = base, 1
        while slug in taken:
            number += 1
            slug = f"{base}-{number}"
        taken.add(slug)
        named.append(replace(capture, slug=slug))
    return named


# what a list may hold, in any order; wall and file must be there
COLUMNS = ("wall", "file", "options", "tolerance", "trade", "floor", "room")
RESULTS = "-flatscan"


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a list, as written; ``line`` is its number in the file."""

    line: int
    wall: str
    file: str
    options: str = ""
    tolerance: str = ""
    trade: str = ""
    floor: str = ""
    room: str = ""


def in_folder(folder: Path, settings: Settings, avoid: Path) -> list[Capture]:
    """Every capture in a folder and below, in the order of their names; ``avoid`` is where results go.

    Floor and room are the folders a capture lies in: ``floor/room/wall.ply``, or ``room/wall.ply``; a folder of depth
    frames or of plain photos is itself one. Hidden folders and folders of results are passed over. Raises `ReadError`
    where there is none.
    """
    suffixes = {suffix for form in formats() for suffix in form.suffixes}
    found = []
    for path in _files(folder, avoid):
        if path.is_dir() or path.suffix.lower() in suffixes:
            listed = path.relative_to(folder)
            above = listed.parts[:-1]
            room = above[-1] if above else ""
            floor = " ".join(above[:-1])
            # workers may stand in another folder, or on another machine that sees this one's disk
            name = path.absolute().name if path.is_dir() else path.stem
            found.append(Capture(path.absolute(), name, floor, room, settings=settings, listed=listed.as_posix()))
    if not found:
        raise ReadError(
            folder,
            "no capture in it or below",
            needed="files named {suffixes}",
            remedy="Name the folder that holds the captures",
            suffixes=tuple(sorted(suffixes)),
        )
    return with_slugs(found)


def _files(folder: Path, avoid: Path) -> Iterator[Path]:
    """All files that are not hidden, and folders that are a capture instead of what is in them."""
    for place, folders, names in os.walk(folder, onerror=_complain):
        here = Path(place)
        if is_folder(here):
            folders.clear()
            yield here
            continue
        folders[:] = sorted(
            name
            for name in folders
            if not name.startswith(".") and not name.endswith(RESULTS) and (here / name).resolve() != avoid.resolve()
        )
        yield from (here / name for name in sorted(names) if not name.startswith("."))


def _complain(error: OSError) -> None:
    raise ReadError(
        error.filename,
        "cannot be read ({reason})",
        needed="a folder that may be read",
        remedy="Check its permissions",
        reason=str(error.strerror),
    ) from error


def in_list(path: Path, settings_of: Callable[[Row], Settings]) -> tuple[list[Capture], tuple[Note, ...]]:
    """The captures that a CSV list names, in its order, and doubts; ``settings_of`` makes settings of a row's options.

    Columns are wall, file, options, tolerance, trade, floor and room; files are found from the list's own folder.
    Raises `BadTable` with the line where the list breaks its layout or a row's options make no sense.
    """
    captures = []
    table = read_table(
        path, [Column(name, "word", optional=name not in ("wall", "file")) for name in COLUMNS], strict=True
    )
    for given in table.rows:
        row = Row(given.line, **given.words)
        try:
            settings = settings_of(row)
        except FlatscanError as wrong:
            raise wrong.inside(BadTable, "{list}, line {line}", list=str(path), line=row.line) from wrong
        place = (path.parent / row.file).absolute()
        captures.append(Capture(place, row.wall, row.floor, row.room, row.trade, settings, listed=row.file))
    return with_slugs(captures), table.notes

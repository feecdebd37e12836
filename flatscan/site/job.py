"""What is to be done: captures of a site, and the two kinds of task that they become."""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from flatscan import __version__
from flatscan.jobs import Capturing, Finishing, Requirement
from flatscan.report import FORMATS
from flatscan.wall import Room

_LONGEST = 80


@dataclass(frozen=True, slots=True)
class Settings:
    """How a capture is read, tested and planned; ``wall`` is None for all the walls that are found in it.

    ``for_all`` says that they were given for all captures of a folder: a table of readings then follows those that it
    can follow. ``formats`` are the kinds of sheets wanted of each wall.
    """

    how: Capturing = Capturing()
    test: Requirement = Requirement()
    finish: Finishing = Finishing()
    wall: int | None = None
    units: str = "mm"
    for_all: bool = False
    formats: tuple[str, ...] = FORMATS


@dataclass(frozen=True, slots=True)
class Capture:
    """One capture of the site: its file, what it is called and where it belongs, and how it is worked on.

    ``trade`` is whose work is judged, in the user's own words. ``slug`` is the name of its folder of sheets,
    different for every capture of a site.
    """

    path: Path
    name: str
    floor: str = ""
    room: str = ""
    trade: str = ""
    settings: Settings = Settings()
    slug: str = ""

    def labels(self) -> dict[str, str]:
        """What the summary calls it by."""
        return {"floor": self.floor, "room": self.room, "name": self.name, "trade": self.trade}


@dataclass(frozen=True, eq=False)
class Task:
    """One process's work: ``look`` for the walls of a capture, or survey and judge one ``wall`` of it.

    ``sha256`` is the file's, so that a file that changes between planning and reading is noticed. ``room`` brings the
    walls that an earlier look found, ``part`` the points of a room cut out of the scan of a building.
    ``scratch`` is a folder for what does not outlive the task (None: the system's), ``parts`` the folder in which
    rooms cut out of scans of buildings wait for their turn.
    """

    kind: Literal["look", "wall"]
    capture: Capture
    sha256: str
    number: int = 1
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
        return self.capture.slug + tail + (f"-wall-{self.number}" if self.kind == "wall" and self.several else "")

    @property
    def title(self) -> str:
        """What the wall is called on its sheets."""
        capture = self.capture
        words = [capture.floor, capture.room, capture.name]
        words += [self.part.replace("-", " ")] if self.part else []
        words += [f"wall {self.number}"] if self.kind == "wall" and self.several else []
        return ", ".join(word for word in words if word)


def keyed(task: Task) -> Task:
    """The task with its key: a hash of the file's contents and of every setting that its result depends on."""
    capture = task.capture
    words = {
        "flatscan": __version__,
        "kind": task.kind,
        "sha256": task.sha256,
        "title": task.title,
        "number": task.number,
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

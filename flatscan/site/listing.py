"""Which captures a site has: all that lie in a folder, or those that a list names."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from flatscan.capture import formats
from flatscan.core.errors import BadTable, FlatscanError, ReadError
from flatscan.core.notes import Note
from flatscan.core.table import Column, read_table
from flatscan.site.job import Capture, Settings, with_slugs

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

    Floor and room are the folders a capture lies in: ``floor/room/wall.ply``, or ``room/wall.ply``. Hidden folders and
    folders of results are passed over. Raises `ReadError` where there is none.
    """
    suffixes = {suffix for form in formats() for suffix in form.suffixes}
    found = []
    for path in _files(folder, avoid):
        if path.suffix.lower() in suffixes:
            above = path.relative_to(folder).parts[:-1]
            room = above[-1] if above else ""
            floor = " ".join(above[:-1])
            # workers may stand in another folder, or on another machine that sees this one's disk
            found.append(Capture(path.absolute(), path.stem, floor, room, settings=settings))
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
    for place, folders, names in os.walk(folder, onerror=_complain):
        here = Path(place)
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
        captures.append(Capture(place, row.wall, row.floor, row.room, row.trade, settings))
    return with_slugs(captures), table.notes

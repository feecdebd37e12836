"""Which captures a site has: all that lie in a folder, or those that a list names."""

from __future__ import annotations

import csv
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from flatscan.capture import formats
from flatscan.core.errors import BadTable, FlatscanError, ReadError
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
            folder, "no capture in it or below", needed=f"files named {', '.join(sorted(suffixes))}",
            remedy="Name the folder that holds the captures",
        )  # fmt: skip
    return with_slugs(found)


def _files(folder: Path, avoid: Path) -> Iterator[Path]:
    for place, folders, names in os.walk(folder, onerror=_complain):
        here = Path(place)
        folders[:] = sorted(
            name for name in folders
            if not name.startswith(".") and not name.endswith(RESULTS) and (here / name).resolve() != avoid.resolve()
        )  # fmt: skip
        yield from (here / name for name in sorted(names) if not name.startswith("."))


def _complain(error: OSError) -> None:
    raise ReadError(
        error.filename, f"cannot be read ({error.strerror})", needed="a folder that may be read",
        remedy="Check its permissions",
    ) from error  # fmt: skip


def in_list(path: Path, settings_of: Callable[[Row], Settings]) -> list[Capture]:
    """The captures that a CSV list names, in its order; ``settings_of`` turns a row's options into settings.

    Columns are wall, file, options, tolerance, trade, floor and room; files are found from the list's own folder.
    Raises `BadTable` with the line where the list breaks its layout or a row's options make no sense.
    """
    captures = []
    for row in _rows(path):
        try:
            settings = settings_of(row)
        except FlatscanError as wrong:
            raise BadTable(
                f"{path}, line {row.line}", f"{wrong.where}: {wrong.found}", needed=wrong.needed, remedy=wrong.remedy
            ) from wrong
        file = Path(row.file)
        place = (path.parent / file).absolute()
        captures.append(Capture(place, row.wall, row.floor, row.room, row.trade, settings))
    if not captures:
        raise BadTable(path, "no row below the head", needed="a line for every wall", remedy="Fill in the list")
    return with_slugs(captures)


def _rows(path: Path) -> Iterator[Row]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise ReadError(
            path, f"cannot be read ({error})", needed="a CSV list in UTF-8", remedy="Save the list as CSV, UTF-8"
        ) from error
    lines = text.splitlines()
    first = lines[0] if lines else ""
    parted = csv.reader(lines, delimiter=";" if first.count(";") > first.count(",") else ",", strict=True)
    try:
        yield from _read_rows(path, parted)
    except csv.Error as error:
        raise BadTable(
            f"{path}, line {parted.line_num}", str(error), needed="comma-separated values",
            remedy="Close the quotes, or save the list as CSV anew",
        ) from error  # fmt: skip


def _read_rows(path: Path, parted: Iterator[list[str]]) -> Iterator[Row]:
    head = [word.strip().lower() for word in next(parted, [])]
    unknown = sorted(set(head) - set(COLUMNS) - {""})
    if unknown or len(set(head)) < len(head) or not {"wall", "file"} <= set(head):
        found = f"the unknown column '{unknown[0]}'" if unknown else f"the columns {', '.join(head) or 'none'}"
        raise BadTable(
            f"{path}, line 1", found, needed=f"wall and file, and any of {', '.join(COLUMNS[2:])}, each once",
            remedy="Correct the first line",
        )  # fmt: skip
    for cells in parted:
        line = getattr(parted, "line_num", 0)
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) > len(head):
            raise BadTable(
                f"{path}, line {line}", f"{len(cells)} values", needed=f"at most {len(head)}, one for each column",
                remedy="Put values with a comma in them in quotes",
            )  # fmt: skip
        given = {name: cell.strip() for name, cell in zip(head, cells, strict=False) if name}
        if not given.get("wall") or not given.get("file"):
            raise BadTable(f"{path}, line {line}", "no wall or no file", needed="both", remedy="Fill them in")
        yield Row(line, **given)

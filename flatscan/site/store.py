"""The folder of a site's results: each result whole or not there at all, whatever instant the run ends at.

A result is a folder of sheets with its ``record.json`` in it, made aside and renamed into place, so that the record
and its sheets appear together. A record counts only while its key is the key asked for and its sheets are there.
One run works on a folder at a time, by a lock that the operating system lets go of when its holder dies.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from flatscan.core.errors import OutputError, unwritten
from flatscan.report import locking

RECORD, LOCK = "record.json", "lock"
# all that is not a sheet: lock, walls found in captures, rooms cut out of buildings, half-made results
OWN = ".flatscan-site"
# results of captures that are no longer in the folder or the list
KEPT = "kept"
Record = dict[str, Any]


class Store:
    """Results under ``folder``: ``walls/<slug>/`` for walls, a hidden folder of its own for what led to them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.own = folder / OWN
        self.scratch, self.parts = self.own / "scratch", self.own / "parts"

    def sweep(self) -> None:
        """Clear away what an interrupted run left unfinished; only under the lock."""
        try:
            shutil.rmtree(self.scratch, ignore_errors=True)
            self.scratch.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise cannot(self.folder, error) from error

    def forget(self) -> None:
        """Remove all results, to begin anew; folders that are none of ours stay."""
        self.keep_only(set())
        shutil.rmtree(self.own / "captures", ignore_errors=True)

    def find(self, kind: str, slug: str, key: str) -> Record | None:
        """The record of a task done before with this very input and these settings, None if there is none."""
        place = self._place(kind, slug)
        try:
            record = json.loads((place / RECORD).read_bytes())
        except (OSError, ValueError, RecursionError):
            return None
        if not isinstance(record, dict) or record.get("key") != key or record.get("again"):
            return None
        sheets = record.get("sheets", {})
        return record if all(_is_whole(place / name, size) for name, size in sheets.items()) else None

    def publish(self, kind: str, slug: str, record: Record, sheets: Mapping[str, bytes]) -> Record:
        """Put a result in its place, replacing an older one; raises `OutputError` where the disk will not take it."""
        record = record | {"sheets": {name: len(data) for name, data in sorted(sheets.items())}}
        text = json.dumps(record, ensure_ascii=False, sort_keys=True, indent=1) + "\n"
        whole, old = self.scratch / f"{kind}-{slug}", self.scratch / f"old-{kind}-{slug}"
        place = self._place(kind, slug)
        if place.exists() and not (place / RECORD).is_file():
            raise OutputError(
                place,
                "a folder or file that is no result of ours",
                needed="a free name",
                remedy="Choose another folder with {set:out}",
            )
        try:
            shutil.rmtree(whole, ignore_errors=True)
            whole.mkdir(parents=True)
            for name, data in sheets.items():
                _write_through(whole / name, data)
            _write_through(whole / RECORD, text.encode())
            place.parent.mkdir(parents=True, exist_ok=True)
            if place.exists():
                shutil.rmtree(old, ignore_errors=True)
                place.rename(old)
            whole.rename(place)
            _flush_folder(place.parent)
            shutil.rmtree(old, ignore_errors=True)
        except OSError as error:
            shutil.rmtree(whole, ignore_errors=True)
            raise cannot(self.folder, error) from error
        return record

    def write(self, name: str, data: bytes) -> Path:
        """Write one file of the summary, whole or not at all; raises `OutputError`."""
        beside = self.scratch / name
        try:
            _write_through(beside, data)
            beside.replace(self.folder / name)
            _flush_folder(self.folder)
        except OSError as error:
            raise cannot(self.folder, error) from error
        return self.folder / name

    def keep_only(self, slugs: set[str], captures: set[str] | None = None) -> tuple[str, ...]:
        """Take away results of walls that are no longer asked for; names of those that were put aside.

        What came of a capture that is none of ``captures`` any more is put aside in ``kept``, where nothing replaces
        it; what another run of the same capture made anew, or all of it without ``captures``, is removed.
        """
        kept = []
        for place in sorted((self.folder / "walls").glob("*/")):
            if place.name in slugs or not (place / RECORD).is_file():
                continue
            if captures is not None and _capture_of(place) not in captures:
                kept.append(self._put_aside(place))
                continue
            # out of the way in one step: half a result would look like somebody else's folder
            old = self.scratch / f"gone-{place.name}"
            place.rename(old)
            shutil.rmtree(old, ignore_errors=True)
        return tuple(kept)

    def _put_aside(self, place: Path) -> str:
        """Move a result among those kept, under a name that is free there."""
        aside = self.folder / KEPT
        name, number = place.name, 1
        while (aside / name).exists():
            number += 1
            name = f"{place.name}-{number}"
        try:
            aside.mkdir(exist_ok=True)
            place.rename(aside / name)
        except OSError as error:
            raise cannot(self.folder, error) from error
        return name

    def show(self, folder: str, pictures: Mapping[tuple[str, str, str], str]) -> None:
        """Lay files of results, by kind, slug and name, under new names into a folder that holds nothing else."""
        fresh, place, old = self.scratch / folder, self.folder / folder, self.scratch / f"old-{folder}"
        try:
            if pictures:
                fresh.mkdir()
            for (kind, slug, name), shown in pictures.items():
                shutil.copyfile(self._place(kind, slug) / name, fresh / shown)
            if place.exists():
                place.rename(old)
            if pictures:
                fresh.rename(place)
        except OSError as error:
            raise cannot(self.folder, error) from error

    def remove(self, name: str) -> None:
        """Take away a file of an earlier summary."""
        (self.folder / name).unlink(missing_ok=True)

    def _place(self, kind: str, slug: str) -> Path:
        return (self.folder / "walls" if kind == "wall" else self.own / "captures") / slug


def cannot(folder: Path, error: OSError) -> OutputError:
    """The error for a folder that takes no more; what was finished before is safe in it."""
    return unwritten(folder, error, "Make room and run the same command again: it goes on where it stopped")


def _capture_of(place: Path) -> str | None:
    """Of which capture a result is, by its own record; None where that cannot be read."""
    try:
        return str(json.loads((place / RECORD).read_bytes())["capture"])
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None


def _is_whole(path: Path, size: int) -> bool:
    try:
        return path.stat().st_size == size
    except OSError:
        return False


def _write_through(path: Path, data: bytes) -> None:
    """Write and wait until the disk has it: a rename must not become visible before the data it names."""
    with path.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def _flush_folder(folder: Path) -> None:
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold the folder for this run; raises `OutputError` where another run holds it or it cannot be written."""
    with ExitStack() as stack:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            stack.enter_context(locking.locked(folder / LOCK))
        except OSError as error:
            raise OutputError(
                folder,
                "cannot be written ({reason})",
                needed="a folder that may be written",
                remedy="Choose another folder with {set:out}",
                reason=(error.strerror or str(error)).lower(),
            ) from error
        yield

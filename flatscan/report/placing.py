"""Files put into place whole or not at all: a folder of sheets, or one file."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from flatscan.core.errors import OutputError

Make = Callable[[Path], None]


def place(folder: str | Path, files: Sequence[tuple[str, Make]], *, overwrite: bool = False) -> tuple[Path, ...]:
    """Make named files beside ``folder`` and move them in when all of them are whole; returns their paths.

    A failed run leaves nothing. A folder that cannot be written, a file that stands there without ``overwrite``, or a
    full disk raises `OutputError`; what a maker raises goes on.
    """
    folder = Path(folder)
    names = [name for name, _ in files]
    _refuse_clash(folder, names, overwrite)
    try:
        beside = Path(tempfile.mkdtemp(prefix=".flatscan-", dir=_standing(folder)))
    except OSError as error:
        raise _cannot(folder, error) from error
    try:
        for name, make in files:
            make(beside / name)
        return _move(beside, folder, names)
    except OSError as error:
        raise _cannot(folder, error) from error
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def _standing(folder: Path) -> Path:
    """The nearest folder above (or the folder itself) that exists: a rename out of it cannot cross disks."""
    return next((place for place in (folder, *folder.absolute().parents) if place.exists()), Path("/"))


def _refuse_clash(folder: Path, names: Sequence[str], overwrite: bool) -> None:
    if folder.exists() and not folder.is_dir():
        raise OutputError(folder, "a file of that name", needed="a folder", remedy="Choose another folder with --out")
    there = [name for name in names if (folder / name).exists()]
    blocked = [name for name in there if (folder / name).is_dir()]
    if blocked or (there and not overwrite):
        name = (blocked or there)[0]
        found = "a folder of that name" if blocked else f"{len(there)} of {len(names)} sheets are there already"
        raise OutputError(
            folder / name,
            found,
            needed="a name that is free",
            remedy="Choose another folder with --out, or give --overwrite to replace the sheets",
        )


def _move(beside: Path, folder: Path, names: Sequence[str]) -> tuple[Path, ...]:
    missing = [place for place in (folder, *folder.parents) if not place.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    try:
        for name in names:
            (beside / name).replace(folder / name)
    except OSError:
        if missing:
            shutil.rmtree(missing[-1], ignore_errors=True)
        raise
    return tuple(folder / name for name in names)


def _cannot(folder: Path, error: OSError) -> OutputError:
    reason = (error.strerror or str(error)).lower()
    return OutputError(
        folder,
        f"cannot be written ({reason})",
        needed="a folder that may be written, with room on its disk",
        remedy="Choose another folder with --out, or make room",
    )


def write_file(path: str | Path, content: bytes, *, overwrite: bool = False) -> Path:
    """Write ``content`` beside ``path`` and rename it; raises `OutputError` where it stands there or cannot be."""
    path = Path(path)
    if path.exists() and not overwrite:
        raise OutputError(
            path, "it exists already", needed="a new name", remedy="Choose another name or give --overwrite"
        )
    try:
        handle, beside = tempfile.mkstemp(prefix=".flatscan-", dir=path.parent)
    except OSError as reason:
        raise _cannot_write(path, reason) from None
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        # mkstemp keeps others out; a sheet is for others
        umask = os.umask(0)
        os.umask(umask)
        Path(beside).chmod(0o666 & ~umask)
        Path(beside).replace(path)
    except OSError as reason:
        Path(beside).unlink(missing_ok=True)
        raise _cannot_write(path, reason) from None
    return path


def _cannot_write(path: Path, reason: OSError) -> OutputError:
    return OutputError(
        path,
        f"it cannot be written ({reason.strerror})",
        needed="a folder that can be written to",
        remedy="Choose another place",
    )

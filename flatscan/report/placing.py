"""Files put into place whole or not at all: a folder of sheets, or one file."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from pathlib import Path

from flatscan.core.errors import OutputError, unwritten
from flatscan.report.staging import Staging, alone_in, room_in, standing

Make = Callable[[Path], None]


def place(folder: str | Path, files: Sequence[tuple[str, Make]], *, overwrite: bool = False) -> tuple[Path, ...]:
    """Make named files beside those of ``folder`` and move them in when all of them are whole; returns their paths.

    A failed run leaves nothing. A folder that cannot be written, a file that stands there without ``overwrite``, or a
    full disk raises `OutputError`; what a maker raises goes on.
    """
    folder = Path(folder)
    names = [name for name, _ in files]
    _refuse_clash(folder, names, overwrite)
    try:
        with standing(folder), ExitStack() as stack:
            with alone_in(folder):
                stage = stack.enter_context(Staging(folder))
            for name, make in files:
                make(stage.new / name)
            with alone_in(folder):
                _refuse_clash(folder, names, overwrite)
                stage.swap(names, [name for name in names if os.path.lexists(folder / name)])
    except OSError as error:
        raise cannot(folder, error) from error
    return tuple(folder / name for name in names)


def must_be_folder(folder: Path) -> None:
    """Raise `OutputError` where something else stands in the place of a folder."""
    if os.path.lexists(folder) and not folder.is_dir():
        raise OutputError(
            folder, "a file of that name", needed="a folder", remedy="Choose another folder with {set:out}"
        )


def _refuse_clash(folder: Path, names: Sequence[str], overwrite: bool) -> None:
    must_be_folder(folder)
    there = [name for name in names if os.path.lexists(folder / name)]
    blocked = [name for name in there if (folder / name).is_dir()]
    if blocked or (there and not overwrite):
        name = (blocked or there)[0]
        raise OutputError(
            folder / name,
            "a folder of that name" if blocked else "it is there already",
            needed="a name that is free",
            remedy="Choose another folder with {set:out}, or give {set:overwrite} to replace the files in it",
        )


def cannot(folder: Path, error: OSError) -> OutputError:
    """The error for a folder that the disk will not take files into."""
    return unwritten(folder, error, "Choose another folder with {set:out}, or make room")


def must_be_free(path: Path, *, overwrite: bool = False) -> None:
    """Raise `OutputError` where a file stands in the way of a new one."""
    if path.exists() and not overwrite:
        raise OutputError(
            path, "it exists already", needed="a new name", remedy="Choose another name or give --overwrite"
        )


def write_file(path: str | Path, content: bytes, *, overwrite: bool = False) -> Path:
    """Write ``content`` beside ``path`` and rename it; raises `OutputError` where it stands there or cannot be."""
    path = Path(path)
    must_be_free(path, overwrite=overwrite)
    try:
        with room_in(path.parent) as room:
            (room / "file").write_bytes(content)
            (room / "file").replace(path)
    except OSError as reason:
        raise _cannot_write(path, reason) from None
    return path


def _cannot_write(path: Path, reason: OSError) -> OutputError:
    return OutputError(
        path,
        f"it cannot be written ({reason.strerror})",
        needed="a folder that can be written to",
        remedy="Choose another place",
    )

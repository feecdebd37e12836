"""Files that a capture or a plan names: beside it or below it, plain, and reached by no link that leads out."""

from __future__ import annotations

from pathlib import Path, PurePosixPath

from flatscan.core.errors import ReadError
from flatscan.core.typed import LONGEST_SHOWN

_LONGEST = 255


def beside(path: str | Path, name: object) -> Path:
    """The file that ``path`` calls ``name``: in its own folder or below, a plain file, by no link out of it.

    Raises `ReadError` for any other, by its name and never by what stands in it: a capture that somebody else made
    must not choose which files of this machine are opened, nor one that never ends, such as a pipe.
    """
    said = str(name)
    folder = Path(path).parent
    shown = {"name": said if len(said) <= LONGEST_SHOWN else f"{said[:LONGEST_SHOWN]}…"}
    parts = PurePosixPath(said)
    if not said or parts.is_absolute() or ".." in parts.parts or any(sign in said for sign in ":\\\0"):
        raise ReadError(
            path,
            "it names '{name}', which lies elsewhere",
            needed="a file in the same folder, or below it",
            remedy="Copy the files into one folder and name them by their place in it",
            **shown,
        )
    found = folder / parts
    # a name longer than any file's cannot even be asked about
    if len(said) > _LONGEST or not found.exists():
        raise ReadError(
            path,
            "it names '{name}', which is not beside it",
            needed="the file that came with it",
            remedy="Copy both files into one folder",
            **shown,
        )
    if not found.is_file() or not found.resolve().is_relative_to(folder.resolve()):
        raise ReadError(
            path,
            "it names '{name}', which is no plain file of its folder",
            needed="a file, not a pipe, a device, a folder or a link that leads out",
            remedy="Put a copy of the file in its place",
            **shown,
        )
    return found


def plain_in(folder: Path, path: Path) -> Path:
    """A file found in a ``folder`` by what files there are called; `ReadError` where it is no plain one of it.

    Somebody else's folder may hold a pipe that never ends, or a link to a file of this machine.
    """
    if not path.is_file() or not path.resolve().is_relative_to(folder.resolve()):
        raise ReadError(
            path,
            "it is no plain file of its folder",
            needed="a file, not a pipe, a device, a folder or a link that leads out",
            remedy="Put a copy of the file in its place",
        )
    return path


def near(path: str | Path, name: str) -> Path:
    """The file or folder that a plan at ``path`` calls ``name``: in the folder of its job, or beside that folder.

    Raises `ReadError` for any other, by its name alone. What is not there is found out by who opens it.
    """
    above = Path(path).absolute().parent.parent
    found = Path(path).parent / name
    lies = found.resolve() if len(name) <= _LONGEST and "\0" not in name else Path("/")
    plain = lies.is_file() or lies.is_dir() or not lies.exists()
    if not plain or "://" in name or not lies.is_relative_to(above.resolve()):
        raise ReadError(
            path,
            "it names '{name}', which lies elsewhere or is no plain file",
            needed="a file in the job's folder, or beside that folder, and no link that leads out",
            remedy="Copy it there and name it by its place",
            name=name if len(name) <= LONGEST_SHOWN else f"{name[:LONGEST_SHOWN]}…",
        )
    return found

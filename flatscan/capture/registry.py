"""Which reader takes a file: by what the file begins with, by its suffix where the format has no mark of its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any

from flatscan.core.errors import ReadError

# one module per format, in the order they are asked; each holds FORMAT
_MODULES = (
    "ply", "pcd", "las", "e57", "gltf", "stl", "obj", "depth_photo", "picture", "line_photos", "ptx", "offset_grid",
    "text",
)  # fmt: skip
_HEAD = 65_536


@dataclass(frozen=True)
class Format:
    """A kind of file: its name, suffixes, what it holds (``points`` or ``stations``), and its reader.

    ``mark(head)`` tells from the file's first bytes; None where the format has no mark and its suffix decides.
    ``open`` takes a path (and for stations the reading's u and unit).
    """

    name: str
    suffixes: tuple[str, ...]
    holds: str
    mark: Callable[[bytes], bool] | None
    open: Callable[..., Any]


def need(module: str, extra: str, what: str) -> ModuleType:
    """An optional library, imported; raises `ReadError` with the command that installs it."""
    try:
        return import_module(module)
    except ImportError as reason:
        found = f"the library {module} is not installed ({reason})"
        needed, remedy = f"flatscan with its extra {extra}", f"Run: pip install 'flatscan[{extra}]'"
        raise ReadError(what, found, needed=needed, remedy=remedy) from None


def formats() -> tuple[Format, ...]:
    """Every kind of file that can be read, in the order in which a file is tried against them."""
    return tuple(import_module(f"flatscan.capture.{name}").FORMAT for name in _MODULES)


def present_file(path: str | Path) -> Path:
    """The path, if it is a file with something in it; raises `ReadError` otherwise."""
    path = Path(path)
    try:
        if not path.exists():
            raise ReadError(path, "no such file", needed="a capture file", remedy="Check the name and the folder")
        if not path.is_file():
            kind = "a folder" if path.is_dir() else "not a plain file"
            raise ReadError(path, f"this is {kind}", needed="one capture file", remedy="Name the file itself")
        size = path.stat().st_size
        with path.open("rb"):
            pass
    except OSError as reason:
        raise ReadError(
            str(path)[:200],
            f"it cannot be opened ({reason.strerror})",
            needed="a file that can be read",
            remedy="Check its name and permissions",
        ) from None
    if size == 0:
        raise ReadError(path, "the file is empty (0 bytes)", needed="a capture", remedy="Export or copy the file again")
    return path


def pick(path: Path) -> tuple[Format, tuple[str, ...]]:
    """The one format of ``path`` and a sentence where its suffix says otherwise; raises `ReadError` if none fits."""
    with path.open("rb") as stream:
        head = stream.read(_HEAD)
    suffix = path.suffix.lower()
    every = formats()
    for form in every:
        if form.mark is not None and form.mark(head):
            named = next((other.name for other in every if suffix in other.suffixes), None)
            odd = suffix not in form.suffixes and named is not None
            return form, (f"named {path.suffix} but it holds {form.name}: read as {form.name}",) if odd else ()
    for form in every:
        if form.mark is None and suffix in form.suffixes:
            return form, ()
    claimed = next((form for form in every if suffix in form.suffixes), None)
    known = ", ".join(sorted({suffix for form in every for suffix in form.suffixes}))
    found = f"this is not a {claimed.name} file" if claimed else f"an unknown kind of file ('{path.suffix}')"
    found += f"; it begins with {_shown(head)}"
    raise ReadError(path, found, needed=f"one of {known}", remedy="Export the capture in one of these formats")


def _shown(head: bytes) -> str:
    return "".join(chr(byte) if 32 <= byte < 127 else "." for byte in head[:16]).join("''")

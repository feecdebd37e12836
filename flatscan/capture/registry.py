"""Which reader takes a file: by what it begins with, else by its suffix; and whether the file is there and fits."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any

from flatscan.core.errors import ReadError
from flatscan.core.model import Cloud
from flatscan.core.notes import Note, note
from flatscan.core.quantity import share

# where the formats stand, in the order they are asked: a module, with the name in it where that is not FORMAT
_FORMATS = (
    "ply",
    "pcd",
    "las",
    "e57",
    "gltf",
    "mesh:STL",
    "mesh:OBJ",
    "depth_photo",
    "pictures:PICTURE",
    "sweeps.sweep_format:SWEEP",
    "lines.line_format:LINE_PHOTOS",
    "ptx",
    "offset_grid",
    "text",
)
# likewise the kinds of folder that are one capture
_FOLDERS = ("depth_frames:FRAMES", "photos.photo_format:PHOTOS")
_HEAD = 65_536
# peak memory over the size of the file where it cannot be streamed, measured on files of 30 to 70 MB and rounded up:
# binary STL 6.8, PLY and OBJ meshes 4.0, GLB 3.5, compressed PCD 2.4
_HELD_WHOLE = {".stl": 8.0, ".obj": 5.0, ".glb": 5.0, ".gltf": 5.0}
_PLY_MESH, _PCD_COMPRESSED = 5.0, 3.0
# what reading takes besides: an even sample, its hashes and a block of rows
_BESIDE = 0.25e9


@dataclass(frozen=True)
class Format:
    """A kind of file: its name, suffixes, what it holds (``points`` or ``stations``), and its reader.

    ``mark(head)`` tells from the file's first bytes; None where the format has no mark and its suffix decides.
    ``open`` takes a path (and for stations the reading's u and unit). ``others`` gives the further files that reading
    one opens; None where it is whole by itself. ``tells``: ``open`` takes a second thing that hears how far it is.
    """

    name: str
    suffixes: tuple[str, ...]
    holds: str
    mark: Callable[[bytes], bool] | None
    open: Callable[..., Any]
    others: Callable[[Path], tuple[Path, ...]] | None = None
    tells: bool = False


@dataclass(frozen=True)
class FolderAsked:
    """How a folder is to be read: what `capture.read` was asked for of it."""

    file_unit: str | None = None
    max_points: int | None = None
    crop: tuple[float, ...] | None = None
    told: Callable[[float], None] | None = None
    sized: bool = False


@dataclass(frozen=True)
class FolderFormat:
    """A kind of folder that is one capture: ``holds`` tells whatever else lies in it, ``alone`` where nothing does.

    ``files`` are all that reading it opens, ``digest`` is the SHA-256 of them, ``open`` makes a `Cloud` of it.
    """

    name: str
    holds: Callable[[Path], bool]
    alone: Callable[[Path], bool]
    files: Callable[[Path], tuple[Path, ...]]
    digest: Callable[[Path], str]
    open: Callable[[Path, FolderAsked], Cloud]


def need(module: str, extra: str, what: str) -> ModuleType:
    """An optional library, imported; raises `ReadError` with the command that installs it."""
    try:
        return import_module(module)
    except ImportError as reason:
        raise ReadError(
            what,
            "the library {module} is not installed ({reason})",
            needed="flatscan with its extra {extra}",
            remedy="Run: pip install 'flatscan[{extra}]'",
            module=module,
            extra=extra,
            reason=str(reason),
        ) from None


def formats() -> tuple[Format, ...]:
    """Every kind of file that can be read, in the order in which a file is tried against them."""
    return tuple(_named(entry) for entry in _FORMATS)


def folder_format(path: str | Path) -> FolderFormat | None:
    """The kind of capture that a folder is; None for a file, and for a folder that is none."""
    # not Path.is_dir: it raises where a name is too long for the system
    if not os.path.isdir(path):  # noqa: PTH112
        return None
    return next((one for one in _folder_formats() if one.holds(Path(path))), None)


def is_folder(path: Path) -> bool:
    """Whether a folder is one capture by itself, of depth frames or of plain photos, and not a folder of captures."""
    return path.is_dir() and any(one.alone(path) for one in _folder_formats())


def _folder_formats() -> tuple[FolderFormat, ...]:
    return tuple(_named(entry) for entry in _FOLDERS)


def _named(entry: str) -> Any:
    module, _, name = entry.partition(":")
    return getattr(import_module(f"flatscan.capture.{module}"), name or "FORMAT")


def present_file(path: str | Path) -> Path:
    """The path, if it is a file with something in it; raises `ReadError` otherwise."""
    path = Path(path)
    try:
        if not path.exists():
            raise ReadError(path, "no such file", needed="a capture file", remedy="Check the name and the folder")
        if not path.is_file():
            kind = "a folder" if path.is_dir() else "not a plain file"
            raise ReadError(
                path,
                f"this is {kind}",
                needed="one capture file, or a folder of photos of one wall",
                remedy="Name the file itself",
            )
        size = path.stat().st_size
        with path.open("rb"):
            pass
    except OSError as reason:
        raise ReadError(
            str(path)[:200],
            "it cannot be opened ({reason})",
            needed="a file that can be read",
            remedy="Check its name and permissions",
            reason=str(reason.strerror),
        ) from None
    if size == 0:
        raise ReadError(path, "the file is empty (0 bytes)", needed="a capture", remedy="Export or copy the file again")
    return path


def pick(path: Path) -> tuple[Format, tuple[Note, ...]]:
    """The one format of ``path`` and a note where its suffix says otherwise; raises `ReadError` if none fits."""
    with path.open("rb") as stream:
        head = stream.read(_HEAD)
    suffix = path.suffix.lower()
    every = formats()
    for form in every:
        if form.mark is not None and form.mark(head):
            named = next((other.name for other in every if suffix in other.suffixes), None)
            odd = suffix not in form.suffixes and named is not None
            return form, (note("capture.named-otherwise", suffix=path.suffix, format=form.name),) if odd else ()
    for form in every:
        if form.mark is None and suffix in form.suffixes:
            return form, ()
    claimed = next((form for form in every if suffix in form.suffixes), None)
    found = "this is not a {format} file" if claimed else "an unknown kind of file ('{suffix}')"
    raise ReadError(
        path,
        f"{found}; it begins with '{{head}}'",
        needed="one of {known}",
        remedy="Export the capture in one of these formats",
        format=claimed.name if claimed else "",
        suffix=path.suffix,
        head="".join(chr(byte) if 32 <= byte < 127 else "." for byte in head[:16]),
        known=tuple(sorted({suffix for form in every for suffix in form.suffixes})),
    )


def refuse_what_does_not_fit(path: Path) -> None:
    """Raise `ReadError`, with both numbers, for a file that must be held whole and would not fit into free memory."""
    with path.open("rb") as stream:
        held = _held_share(path, stream.read(_HEAD))
    if held == 0:
        return
    size, free = path.stat().st_size, free_memory()
    needed = held * size + _BESIDE
    if free is not None and needed > free:
        raise ReadError(
            path,
            "{size:number.1} GB of a kind that must be held whole: about {memory:number.1} GB of memory",
            needed="at most {free:number.1} GB, which is free here",
            remedy="Export it as binary PLY points, LAS or LAZ, which are read in parts, or use a larger machine",
            size=share(size / 1e9),
            memory=share(needed / 1e9),
            free=share(free / 1e9),
        )


def _held_share(path: Path, head: bytes) -> float:
    """Memory over file size; 0 for what is streamed."""
    if head.startswith(b"ply"):
        top = head.split(b"end_header", 1)[0]
        return _PLY_MESH if b"element face" in top and b"element face 0" not in top else 0.0
    if b"DATA binary_compressed" in head[:4096]:
        return _PCD_COMPRESSED
    return _HELD_WHOLE.get(path.suffix.lower(), 0.0)


def free_memory() -> int | None:
    """Bytes this process may still take: what the machine has to give, and no more than a limit set on the process."""
    known = [value for value in (_machine(), _limit()) if value is not None]
    return min(known) if known else None


def _machine() -> int | None:
    try:
        with Path("/proc/meminfo").open(encoding="ascii") as lines:
            return next(int(line.split()[1]) * 1024 for line in lines if line.startswith("MemAvailable"))
    except (OSError, StopIteration, ValueError):
        pass
    try:
        # no figure for what is free: all there is
        return int(os.sysconf("SC_PAGE_SIZE")) * int(os.sysconf("SC_PHYS_PAGES"))
    except (AttributeError, ValueError, OSError):
        return None


def _limit() -> int | None:
    if sys.platform == "win32":
        return None
    import resource

    soft = resource.getrlimit(resource.RLIMIT_DATA)[0]
    return None if soft == resource.RLIM_INFINITY else soft

"""Plain photos of a wall in a folder as one capture: which folders are one, what belongs to it, and its hash."""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path
from typing import Any

from flatscan.capture.depth_frames import is_frames
from flatscan.capture.registry import FolderAsked, FolderFormat, formats
from flatscan.core.beside import beside, plain_in
from flatscan.core.errors import ReadError
from flatscan.core.model import Cloud

PHOTO_READER = "photos"
WALL_FILE = "wall.toml"
SUFFIXES = (".jpg", ".jpeg", ".png", ".heic", ".heif")
# fewer photos show no wall from two places
FEWEST = 2
# where a PNG's header says how many bits a channel has (PNG specification, 11.2.1): photos have 8, depth has 16
_PNG_BITS = 24
_MOST_TOML, _HEAD = 1_000_000, 65_536


def holds_photos(folder: Path) -> bool:
    """Whether a folder holds plain photos and neither poses nor a laser's set-up, whatever else lies in it."""
    if is_frames(folder) or not _photos(folder):
        return False
    return not any(b"[laser]" in _head(path) for path in folder.glob("*.toml"))


def only_photos(folder: Path) -> bool:
    """Whether a folder is a capture of photos by itself: it says so by `WALL_FILE`, or no other capture lies in it."""
    if not holds_photos(folder) or len(_photos(folder)) < FEWEST:
        return False
    if any(
        b"[laser]" in head and f"{folder.name}/".encode() in head for head in map(_head, folder.parent.glob("*.toml"))
    ):
        # a set-up beside the folder names its photos
        return False
    if (folder / WALL_FILE).is_file():
        return True
    others = {suffix for form in formats() for suffix in form.suffixes} - {*SUFFIXES, ".toml"}
    below = any(path.is_dir() and not _is_results(path) for path in folder.iterdir())
    return not below and not any(path.suffix.lower() in others and not _is_note(path) for path in folder.iterdir())


def photos_in(folder: Path) -> tuple[Path, ...]:
    """The photos in a folder in the order of their names; `ReadError` for what is no plain file of it, or for none."""
    found = tuple(plain_in(folder, path) for path in _photos(folder))
    if not found:
        raise ReadError(
            folder,
            "no photo in it",
            needed="photos named {suffixes}",
            remedy="Copy the photos of one wall into one folder",
            suffixes=SUFFIXES,
        )
    return found


def files_of_photos(folder: Path) -> tuple[Path, ...]:
    """All files that reading the photos of a folder opens: these, `WALL_FILE`, and the lens's file it names."""
    said = folder / WALL_FILE
    if not said.exists():
        return photos_in(folder)
    plain_in(folder, said)
    lens = _lens_of(said)
    return (*photos_in(folder), said, *(() if lens is None else (beside(said, lens),)))


def digest_of_photos(folder: Path) -> str:
    """SHA-256 of the names and contents of all files that reading the photos of a folder opens."""
    whole = hashlib.sha256()
    for path in files_of_photos(folder):
        whole.update(path.relative_to(folder).as_posix().encode() + b"\0")
        with path.open("rb") as stream:
            whole.update(hashlib.file_digest(stream, "sha256").digest())
    return whole.hexdigest()


def _photos(folder: Path) -> list[Path]:
    names = (path for path in folder.iterdir() if not path.name.startswith("."))
    return sorted(path for path in names if path.suffix.lower() in SUFFIXES and not _is_depth(path))


def _is_results(folder: Path) -> bool:
    """Whether a folder is hidden, or holds sheets that were made of a capture."""
    return folder.name.startswith(".") or folder.name.endswith("-flatscan")


def _is_note(path: Path) -> bool:
    """Whether a text file begins with words, and not with the numbers of points."""
    return path.suffix.lower() == ".txt" and any(sign.isalpha() for sign in _head(path)[:80].decode("latin-1"))


def _is_depth(path: Path) -> bool:
    return path.suffix.lower() == ".png" and path.is_file() and _head(path)[_PNG_BITS : _PNG_BITS + 1] == b"\x10"


def _head(path: Path) -> bytes:
    try:
        if not path.is_file():
            return b""
        with path.open("rb") as stream:
            return stream.read(_HEAD)
    except OSError:
        return b""


def _lens_of(said: Path) -> Any:
    """What a wall's file names as the lens's; a file that cannot be read says so when its words are wanted."""
    if said.stat().st_size > _MOST_TOML:
        return None
    try:
        camera = tomllib.loads(said.read_text(encoding="utf-8-sig")).get("camera")
    except (ValueError, RecursionError):
        return None
    return camera.get("file") if isinstance(camera, dict) else None


def _open(folder: Path, asked: FolderAsked) -> Cloud:
    """`photo_wall.read_photos`, imported when it is needed."""
    from flatscan.capture.photos.photo_wall import read_photos

    return read_photos(folder, max_points=asked.max_points, crop=asked.crop, told=asked.told, sized=asked.sized)


PHOTOS = FolderFormat(PHOTO_READER, holds_photos, only_photos, files_of_photos, digest_of_photos, _open)

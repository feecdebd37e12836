"""What goes into a sealed file beside the captures: the jobs, what its maker states, photos."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path

from flatscan.core.errors import ReadError
from flatscan.jobs import (
    Capturing,
    Comparing,
    Finishing,
    Progress,
    Requirement,
    Result,
    check,
    compare_surveys,
    survey,
)

COMMANDS = ("survey", "check", "compare")
_QUALITY = 95


@dataclass(frozen=True)
class Job:
    """One command on one capture (two for compare), with all its settings.

    ``captures`` are positions in the list of captures, from 0. ``earlier`` is how compare's first capture is read.
    """

    command: str
    captures: tuple[int, ...]
    capturing: Capturing = field(default_factory=Capturing)
    testing: Requirement = field(default_factory=Requirement)
    finishing: Finishing = field(default_factory=Finishing)
    comparing: Comparing = field(default_factory=Comparing)
    earlier: Capturing = field(default_factory=Capturing)

    def run(self, paths: tuple[Path, ...], progress: Progress) -> Result:
        """The result of this job on capture files; raises the errors of the command."""
        chosen = [paths[k] for k in self.captures]
        if self.command == "check":
            return check(chosen[0], self.capturing, self.testing, progress)
        if self.command == "compare":
            hows = (self.earlier, self.capturing)
            return compare_surveys(chosen[0], chosen[1], hows, self.comparing, self.finishing, progress)
        return survey(chosen[0], self.capturing, self.testing, self.finishing, progress)


@dataclass(frozen=True)
class Photo:
    """A photo as it goes into the sealed file, its own name, the hash of the original, and whether its data is kept."""

    path: Path
    name: str
    original_sha256: str
    kept: bool


def take_photo(path: str | Path, target: Path, *, keep_metadata: bool) -> Photo:
    """Copy a photo to ``target`` without its suffix's metadata: as it is if kept, else its picture alone.

    The picture is turned as the camera's tag says and written anew as JPEG or PNG, so no time, place, device or
    thumbnail is left. Raises `ReadError` for a file that is no picture.
    """
    from PIL import Image, ImageOps, UnidentifiedImageError

    path = Path(path)
    try:
        data = path.read_bytes()
        with Image.open(path) as picture:
            suffix = ".png" if picture.format == "PNG" else ".jpg"
            if keep_metadata:
                target = target.with_suffix(path.suffix.lower() or suffix)
                target.write_bytes(data)
            else:
                target = target.with_suffix(suffix)
                _bare(ImageOps.exif_transpose(picture)).save(target, quality=_QUALITY)
    except (UnidentifiedImageError, OSError, Image.DecompressionBombError) as reason:
        raise ReadError(
            path,
            "not a picture that can be read ({reason})",
            needed="a JPEG or PNG",
            remedy="Export the photo as JPEG",
            reason=" ".join(str(reason).split())[:80],
        ) from None
    return Photo(target, path.name, hashlib.sha256(data).hexdigest(), keep_metadata)


def _bare(picture):  # type: ignore[no-untyped-def]
    """The pixels alone in a new picture."""
    from PIL import Image

    shown = picture.convert("RGB")
    bare = Image.new("RGB", shown.size)
    bare.paste(shown)
    return bare


@dataclass(frozen=True)
class Statement:
    """What the maker of a sealed file states in words; nothing of it is proven.

    ``grounds`` is why the capture type is what it is said to be, ``left_out`` captures that were made and are not in
    the file, with the reason, ``date`` the day as stated.
    """

    title: str = ""
    date: str = ""
    grounds: str = ""
    present: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()

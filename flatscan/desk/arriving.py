"""A capture as a page sends it, one file or several or a zip of them, put into a job's folder whole or not at all."""

from __future__ import annotations

import os
import re
import shutil
import stat
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO, TYPE_CHECKING

from flatscan.capture import files_of, formats, is_folder
from flatscan.capture.registry import pick
from flatscan.core.errors import FlatscanError, ReadError, unwritten
from flatscan.core.quantity import share
from flatscan.desk.line_photos import PHOTOS, UNASKED, is_unasked
from flatscan.desk.line_questions import VIDEOS
from flatscan.evidence.archive import safe_name
from flatscan.report.staging import room_in

if TYPE_CHECKING:
    from werkzeug.datastructures import FileStorage

# a capture of more files than this is a video, or somebody's whole disk
_MOST_FILES = 2000
_SHOWN = 120
# what systems put beside files and nobody sent on purpose
_NOBODYS = re.compile(r"(^|/)(__MACOSX|\.[^./][^/]*|Thumbs\.db|desktop\.ini)(/|$)", re.IGNORECASE)
_OURS = re.compile(r"capture(-[0-9]+|\.[a-z0-9]{1,5})", re.ASCII)
_FRAMES, _SENT = "points", "sent"


@dataclass(frozen=True, slots=True)
class Arrived:
    """A capture in a job's folder: its file there, what its user calls it, what it holds, how many files came along.

    ``unused`` are names of files that were sent with it and that reading it does not open.
    """

    file: str
    name: str
    holds: str
    others: int = 0
    unused: tuple[str, ...] = ()


def arrive(folder: Path, sent: Sequence[FileStorage], most_bytes: int) -> Arrived:
    """Put what was sent into ``folder``; nothing is left of it where it is no capture.

    One file is kept as ``capture`` with the ending of its kind, several in a folder of their own, under the names they
    came with. A zip is unpacked, up to ``most_bytes``. Raises `ReadError` for what no reader knows, for files of which
    none is the capture or more than one may be, and for names that lead elsewhere; `OutputError` where a disk is full.
    """
    try:
        with room_in(folder) as room:
            root = _unpacked(sent, room, most_bytes)
            files = sorted(path for path in root.rglob("*") if path.is_file())
            if is_unasked(files):
                place = _free_place(folder)
                root.replace(place)
                return Arrived(place.name, _called(sent, files), UNASKED, len(files))
            if len(files) == 1:
                return _alone(folder, files[0], _name_of(sent[0]) if len(sent) == 1 else files[0].name)
            main, used = _capture_among(root, files)
            place = _free_place(folder)
            root.replace(place)
    except OSError as reason:
        raise unwritten(
            folder, reason, "Make room, or start again with another folder: {run:desk --folder ...}"
        ) from None
    unused = tuple(path.relative_to(root).as_posix() for path in files if path not in used)
    here = place / main.relative_to(root)
    own = main.name if main.name != _SENT else _name_of(sent[0])
    holds = _FRAMES if here.is_dir() else pick(here)[0].holds
    return Arrived(here.relative_to(folder).as_posix(), own[-_SHOWN:], holds, len(used) - here.is_file(), unused)


def _called(sent: Sequence[FileStorage], files: Sequence[Path]) -> str:
    """What somebody calls photos or a video that came without a word of what they are."""
    return (_name_of(sent[0]) if len(sent) == 1 else files[0].name)[-_SHOWN:]


def forget_others(folder: Path, kept: str) -> None:
    """Remove the captures that stood in a job's folder before the one that is ``kept``."""
    first = PurePosixPath(kept).parts[0]
    for path in folder.iterdir():
        if _OURS.fullmatch(path.name) and path.name != first:
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink(missing_ok=True)


def is_capture(name: str) -> bool:
    """Whether a file or folder of that name in a job's folder is its capture."""
    return _OURS.fullmatch(name) is not None


def _unpacked(sent: Sequence[FileStorage], room: Path, most_bytes: int) -> Path:
    """The folder in ``room`` with the files that were sent, below the one folder that all of them lie in."""
    root = room / _SENT
    root.mkdir()
    if len(sent) == 1 and zipfile.is_zipfile(sent[0].stream):
        _from_zip(sent[0], root, most_bytes)
    else:
        sent[0].stream.seek(0)
        names = [_name_of(one) for one in sent]
        if len(sent) > 1:
            _check_names("the files", names)
        for name, one in zip(names, sent, strict=True):
            # of a single file's name only its ending is used, and that from our own list
            _write(root / (name if len(sent) > 1 else f"file{_ending(name)}"), one.stream, name)
    while len(inner := list(root.iterdir())) == 1 and inner[0].is_dir():
        root = inner[0]
    return root


def _name_of(one: FileStorage) -> str:
    """What its sender calls a file, in a folder's form everywhere."""
    return (one.filename or "").replace("\\", "/")


def _ending(name: str) -> str:
    ending = PurePosixPath(name).suffix.lower()
    every = [*(known for form in formats() for known in form.suffixes), *PHOTOS, *VIDEOS]
    return next((known for known in every if known == ending), ".bin")


def _write(path: Path, source: IO[bytes], name: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with open(path, "wb", opener=_private) as stream:  # noqa: PTH123
        shutil.copyfileobj(source, stream, 1 << 20)
        stream.flush()
        os.fsync(stream.fileno())
    if not path.stat().st_size:
        raise ReadError(name, "the file is empty (0 bytes)", needed="a scan", remedy="Export or copy it again")


def _private(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


def kept_as(folder: Path, kind: str, sent: FileStorage) -> Path:
    """A single file that was sent, in a job's folder under the next free name of its kind; raises as `write_sent`."""
    ending = _ending(_name_of(sent))
    taken = {path.stem for path in folder.glob(f"{kind}-*")}
    number = next(number for number in range(1, 10_000) if f"{kind}-{number}" not in taken)
    path = folder / f"{kind}-{number}{ending}"
    try:
        write_sent(path, sent)
    except Exception:
        path.unlink(missing_ok=True)
        raise
    return path


def write_sent(path: Path, sent: FileStorage) -> None:
    """Write a file that was sent to its place; raises `ReadError` where it is empty, `OutputError` for a full disk."""
    try:
        _write(path, sent.stream, _name_of(sent)[-_SHOWN:])
    except OSError as reason:
        raise unwritten(path.parent, reason, "Make room") from None


def _check_names(where: str, names: Sequence[str]) -> None:
    """Raise `ReadError` for names that leave the folder, stand twice, or are more than a capture has."""
    if len(names) > _MOST_FILES:
        raise ReadError(
            where,
            "{count} files",
            needed="one capture, of {most} files at most",
            remedy="Send the files of one wall only",
            count=len(names),
            most=_MOST_FILES,
        )
    seen: set[str] = set()
    for name in names:
        if not safe_name(name):
            raise ReadError(
                where,
                "a name that not every system can keep ('{name}')",
                needed='a file name without \\ : * ? " < > | and under 200 letters',
                remedy="Rename the file",
                name=name[-_SHOWN:],
            )
        if name.casefold() in seen:
            raise ReadError(
                where,
                "two files called '{name}'",
                needed="every name once",
                remedy="Put the files with their folders into one zip, and drop that",
                name=name[-_SHOWN:],
            )
        seen.add(name.casefold())


def _from_zip(sent: FileStorage, root: Path, most_bytes: int) -> None:
    """The files of a zip below ``root``; raises `ReadError` before anything is written that should not be."""
    name = _name_of(sent)[-_SHOWN:]
    try:
        with zipfile.ZipFile(sent.stream) as archive:
            infos = [one for one in archive.infolist() if not one.is_dir() and not _NOBODYS.search(one.filename)]
            _check_names(name, [one.filename for one in infos])
            size = sum(one.file_size for one in infos)
            if size > most_bytes:
                raise ReadError(
                    name,
                    "{size:number.1} GB once unpacked",
                    needed="at most {most:number.1} GB",
                    remedy="Export it thinner, or start with a larger --upload-limit",
                    size=share(size / 1e9),
                    most=share(most_bytes / 1e9),
                )
            if any(stat.S_IFMT(one.external_attr >> 16) not in (0, stat.S_IFREG) for one in infos):
                raise ReadError(
                    name, "a link or a device in it", needed="plain files", remedy="Zip the files themselves"
                )
            for one in infos:
                with archive.open(one) as source:
                    _write(root / one.filename, source, one.filename)
    except (zipfile.BadZipFile, zipfile.LargeZipFile, EOFError, NotImplementedError, RuntimeError, ValueError) as fault:
        raise ReadError(
            name,
            "the zip cannot be unpacked ({reason})",
            needed="a whole zip without a password",
            remedy="Zip the files again, or send them one beside the other",
            reason=str(fault)[:80],
        ) from None
    if not any(root.iterdir()):
        raise ReadError(name, "a zip with no file in it", needed="a capture", remedy="Zip the files again")


def _alone(folder: Path, file: Path, name: str) -> Arrived:
    """A single file, called ``name`` by its sender, in the place of the capture."""
    name = name[-_SHOWN:]
    try:
        form, _ = pick(file)
    except ReadError as trouble:
        raise trouble.at(name) from None
    kept = folder / f"capture{_ending(file.name)}"
    file.replace(kept)
    return Arrived(kept.name, name, form.holds)


def _free_place(folder: Path) -> Path:
    taken = [int(path.name[8:]) for path in folder.glob("capture-*") if path.name[8:].isdecimal()]
    return folder / f"capture-{max(taken, default=0) + 1}"


def _capture_among(root: Path, files: Sequence[Path]) -> tuple[Path, frozenset[Path]]:
    """Which of the files is the capture, and all that reading it opens: the one that needs the most of the others."""
    reach: dict[Path, frozenset[Path]] = {}
    trouble = None
    rooms = [path for path in (root, *root.rglob("*")) if is_folder(path)]
    lone = [path for path in files if not any(path.is_relative_to(room) for room in rooms) and _is_known(path)]
    for path in (*rooms, *lone):
        try:
            reach[path] = frozenset(files_of(path))
        except FlatscanError as reason:
            trouble = trouble or reason.at(path.relative_to(root).as_posix())
    most = max((len(used) for used in reach.values()), default=0)
    best = [path for path, used in reach.items() if len(used) == most]
    if trouble is not None and most < 2:
        # it names what is not there: that is why nothing goes together
        raise trouble
    if len(best) == 1:
        return best[0], reach[best[0]]
    raise ReadError(
        "the files",
        "{count} files that may each be the capture: {names}" if best else "none of {names} is a capture",
        needed="the files of one capture: one that is read, and what it names",
        remedy="Send one scan for a wall; for a line's photos send their set-up file along",
        count=len(best),
        names=_named(path.relative_to(root).as_posix() for path in best or files),
    )


def _is_known(path: Path) -> bool:
    try:
        pick(path)
    except ReadError:
        return False
    return True


def _named(names: Iterable[str]) -> str:
    every = [name[-_SHOWN:] for name in names]
    return ", ".join(every[:4]) + (", …" if len(every) > 4 else "")

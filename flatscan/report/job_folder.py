"""The folder of a job: each command's sheets in it, whose they are, and how new ones take the place of old ones.

A small record in it, ``.flatscan.json``, says of which capture and wall the sheets are and which files each command
wrote, with their SHA-256. A command replaces what it wrote itself, and nothing else: other commands' sheets, the plan
and whatever somebody put there or changed since stay.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from flatscan.core.errors import OutputError
from flatscan.core.quantity import metres
from flatscan.report.placing import Make, cannot, must_be_folder
from flatscan.report.staging import Staging, alone_in, is_plain, settle, standing

if TYPE_CHECKING:
    from flatscan.jobs import Result

RECORD = ".flatscan.json"
SCHEMA = 1
# the result document among the sheets
RESULT = "result.json"
# readings that differ by less [mm] are the same, written otherwise
_SAME_READING = 0.02


@dataclass(frozen=True, slots=True)
class Subject:
    """What a folder's sheets are of: the capture's file and its SHA-256, and the wall's name (empty: all of them).

    ``readings`` (x, y, reading) [mm] of a table are kept to say later what of it was changed.
    """

    file: str
    sha256: str
    wall: str = ""
    readings: tuple[tuple[float, float, float], ...] = field(default=(), compare=False)

    @classmethod
    def of(cls, result: Result) -> Subject:
        """What a result is of."""
        origin, read = result.origin, result.seen.readings
        if read is None:
            return cls(origin.file, origin.sha256, result.wall.name)
        # as they were read off: big means hollow unless the table says otherwise
        sign = 1 if read.proud_when_big else -1
        rows = zip(read.x.tolist(), read.y.tolist(), (sign * read.offset).tolist(), strict=True)
        readings = tuple((round(x * 1000, 1), round(y * 1000, 1), round(r * 1000, 2)) for x, y, r in rows)
        return cls(origin.file, origin.sha256, result.wall.name, readings)


@dataclass(frozen=True, slots=True)
class _Record:
    """What stands in ``.flatscan.json``; ``sheets`` are names and SHA-256 by command."""

    schema: int = SCHEMA
    subject: Subject | None = None
    sheets: dict[str, dict[str, str]] = field(default_factory=dict)

    def written_by(self, *commands: str) -> dict[str, str]:
        """Names and SHA-256 of what these commands wrote."""
        return {name: digest for command in commands for name, digest in self.sheets.get(command, {}).items()}


def folder_of(capture: str | Path) -> Path:
    """The folder of a capture's job, in the current one."""
    # a folder given as "." has a name of its own
    return Path(f"{Path(capture).absolute().stem}-flatscan")


def sheet_name(command: str, name: str) -> str:
    """What a command's sheet is called in the folder of a job, where those of other commands lie beside it."""
    return f"{command}-{name}"


def subject_of(folder: str | Path) -> Subject | None:
    """The capture and wall whose sheets a folder holds; None where it has no record that can be read."""
    settle(Path(folder))
    try:
        return _read(Path(folder)).subject
    except OutputError:
        return None


def sheets_by(folder: str | Path) -> dict[str, tuple[str, str]]:
    """Of every command with sheets in a folder the plan's fingerprint and the capture's SHA-256 they were made by.

    Empty words where its document is not there, or says nothing of it.
    """
    found = {}
    for path in sorted(Path(folder).glob(sheet_name("*", RESULT))):
        try:
            said = json.loads(path.read_bytes())
            found[str(said["command"])] = (str(said["plan"]["fingerprint"]), str(said["capture"]["sha256"]))
        except (OSError, ValueError, KeyError, TypeError, RecursionError):
            found[path.name.removesuffix(sheet_name("", RESULT))] = ("", "")
    return found


def claim(folder: str | Path, subject: Subject, *, overwrite: bool = False) -> None:
    """Note whose a folder is before its first sheet, so that a plan kept in it is nobody else's; the folder is made.

    Raises `OutputError` where it is another capture's or wall's, unless ``overwrite`` is given.
    """
    folder = Path(folder)
    belongs(folder, subject, overwrite=overwrite)
    if subject_of(folder) is None and not os.path.lexists(folder / RECORD):
        folder.mkdir(parents=True, exist_ok=True)
        with alone_in(folder):
            _write(folder, _Record(subject=subject))


def belongs(folder: str | Path, subject: Subject, *, overwrite: bool = False) -> None:
    """Raise `OutputError` where a folder is another capture's or wall's, unless ``overwrite`` is given."""
    known = subject_of(folder)
    _Order(Path(folder), "", (), subject, overwrite, False).is_same(known)


def put_sheets(
    folder: str | Path,
    command: str,
    sheets: Sequence[tuple[str, Make]],
    subject: Subject,
    *,
    overwrite: bool = False,
    alone: bool = False,
) -> tuple[Path, ...]:
    """Make a command's sheets, by their names, and let them take the place of its earlier ones; returns their paths.

    The earlier ones stand until all of the new ones are whole; then, in one step, all of them go, also those that are
    not made any more. With ``alone`` those of all other commands go too. Refused with `OutputError`, unless
    ``overwrite`` is given: a folder of another capture or wall, and a file of such a name that flatscan did not write
    or that somebody changed since. With ``overwrite`` on a folder of another capture or wall all sheets of that one go.

    `OutputError` also for a folder that cannot be written, for one in the place of a sheet, and where another run keeps
    the folder for long. What a maker raises goes on; whatever happens, nothing half-made is left.
    """
    folder = Path(folder)
    must_be_folder(folder)
    names = [name for name, _ in sheets]
    order = _Order(folder, command, names, subject, overwrite, alone)
    try:
        with standing(folder), ExitStack() as stack:
            with alone_in(folder):
                # before the work, so that nobody waits for a refusal
                order.leaving()
                stage = stack.enter_context(Staging(folder))
            for name, make in sheets:
                make(stage.new / name)
            with alone_in(folder):
                going, record = order.leaving()
                _write(stage.new, order.record(record, stage.new))
                stage.swap([*names, RECORD], going)
    except OSError as error:
        raise cannot(folder, error) from error
    return tuple(folder / name for name in names)


@dataclass(frozen=True, slots=True)
class _Order:
    """What is to be put into a folder."""

    folder: Path
    command: str
    names: Sequence[str]
    subject: Subject
    overwrite: bool
    alone: bool

    def leaving(self) -> tuple[list[str], _Record]:
        """The files that go and the record of those that stay; raises `OutputError` where one may not go."""
        record = self._known()
        others = [command for command in record.sheets if command != self.command]
        stays = self.is_same(record.subject)
        own = record.written_by(self.command, *(() if stays and not self.alone else others))
        going = [name for name, digest in own.items() if _digest(self.folder / name) == digest]
        for name in self.names:
            if name not in going and os.path.lexists(self.folder / name):
                self._take(name, name in own)
                going.append(name)
        kept = {command: record.sheets[command] for command in others} if stays and not self.alone else {}
        if os.path.lexists(self.folder / RECORD):
            going.append(RECORD)
        return going, replace(record, subject=self._subject(record.subject, stays), sheets=kept)

    def record(self, kept: _Record, made: Path) -> _Record:
        """The record with the sheets that were made."""
        return replace(kept, sheets=kept.sheets | {self.command: {n: _digest(made / n) or "" for n in self.names}})

    def _known(self) -> _Record:
        try:
            return _read(self.folder)
        except OutputError:
            if not self.overwrite:
                raise
            return _Record()

    def is_same(self, known: Subject | None) -> bool:
        """Whether the folder is this capture's and wall's; raises `OutputError` where it is not and must not be."""
        if known is None:
            return True
        if known.sha256 == self.subject.sha256 and (not known.wall or self.subject.wall in ("", known.wall)):
            return True
        if self.overwrite:
            return False
        if known.sha256 != self.subject.sha256 and known.file == self.subject.file:
            raise _changed(self.folder, known, self.subject)
        other = known.sha256 != self.subject.sha256
        raise OutputError(
            self.folder,
            "the sheets in it are of {file}" if other else "the sheets in it are of wall {wall} of {file}",
            needed="a folder for each capture and wall",
            remedy="Give {set:overwrite} to replace all sheets in it, or choose another folder with {set:out}",
            file=known.file,
            wall=known.wall,
            settled_by="overwrite",
        )

    def _subject(self, known: Subject | None, stays: bool) -> Subject:
        if known is None or not stays:
            return self.subject
        return replace(self.subject, wall=self.subject.wall or known.wall)

    def _take(self, name: str, ours: bool) -> None:
        """Let a file that stands in the way go, if that was asked for; raises `OutputError` where it may not."""
        path = self.folder / name
        if path.is_dir() and not path.is_symlink():
            raise OutputError(
                path,
                "a folder of that name",
                needed="a name that is free",
                remedy="Move it, or choose another folder with {set:out}",
            )
        if not self.overwrite:
            raise OutputError(
                path,
                "it was changed since flatscan wrote it" if ours else "a file that flatscan did not write here",
                needed="a name that is free",
                remedy="Give it another name to keep it, choose another folder with {set:out}, "
                "or give {set:overwrite} to replace it",
            )


def _changed(folder: Path, known: Subject, now: Subject) -> OutputError:
    """The error for a capture that was changed since: what of it, since when, and how to go on."""
    what, values = _difference(known, now)
    made = time.strftime("%Y-%m-%d %H:%M", time.localtime((folder / RECORD).stat().st_mtime))
    return OutputError(
        folder,
        f"{{file}} is not as it was on {{made}}, when the last sheets in it were made: {what}",
        needed="your word that these sheets and what they say may go",
        remedy="If you corrected it, run the same again with {set:overwrite}: its sheets are made anew, the plan "
        "stays. If it is another wall, give its file another name, or choose another folder with {set:out}",
        file=known.file,
        made=made,
        settled_by="overwrite",
        **values,
    )


def _difference(known: Subject, now: Subject) -> tuple[str, dict[str, object]]:
    """What of a capture was changed, as a template and its values."""
    if not known.readings or not now.readings:
        return "what stands in it is another", {}
    before, after = ({(x, y): reading for x, y, reading in one.readings} for one in (known, now))
    other = [at for at in before if at in after and abs(before[at] - after[at]) > _SAME_READING]
    added, gone = len(after.keys() - before.keys()), len(before.keys() - after.keys())
    parts: list[str] = []
    values: dict[str, object] = {}
    if other:
        x, y = other[0]
        values |= {"at": (x / 1000, y / 1000), "more": len(other) - 1}
        values |= {"was": metres(before[x, y] / 1000), "now": metres(after[x, y] / 1000)}
        parts.append("{at:xy} read {was:length.4g} and reads {now:length.4g}")
        parts += ["others that differ: {more:count}"] if len(other) > 1 else []
    parts += ["readings that are new: {added:count}"] if added else []
    parts += ["readings that are gone: {gone:count}"] if gone else []
    return "; ".join(parts) or "not its readings, but something beside them", values | {"added": added, "gone": gone}


def _read(folder: Path) -> _Record:
    """The record of a folder, an empty one where there is none; raises `OutputError` where it cannot be used."""
    from flatscan.core.records import from_plain

    try:
        record = from_plain(_Record, json.loads((folder / RECORD).read_bytes()))
        if record.schema != SCHEMA or not all(is_plain(name) for name in record.written_by(*record.sheets)):
            raise ValueError("not as we write it")
    except FileNotFoundError:
        return _Record()
    except (OSError, ValueError, RecursionError) as reason:
        raise OutputError(
            folder / RECORD,
            "it does not say whose the sheets in this folder are",
            needed="the record as this version of flatscan writes it",
            remedy="Choose another folder with {set:out}, or give {set:overwrite} to begin a new record",
        ) from reason
    return record


def _write(folder: Path, record: _Record) -> None:
    from flatscan.core.records import to_plain

    text = json.dumps(to_plain(record), ensure_ascii=False, indent=1, sort_keys=True) + "\n"
    (folder / RECORD).write_text(text, encoding="utf-8", newline="\n")


def _digest(path: Path) -> str | None:
    """SHA-256 of a file in hex (FIPS 180-4); None for what is none."""
    if path.is_symlink() or not path.is_file():
        return None
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()

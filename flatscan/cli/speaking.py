"""What a command says: words and progress on standard error, documents and what people pipe on standard output.

The one thing on standard output is what another program takes: with --json the document, else the text of those
commands whose text is what was asked for (`PIPED`). ``--quiet`` leaves errors only.
"""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from flatscan.core.notes import Note, note

if TYPE_CHECKING:
    from flatscan.core.errors import FlatscanError, OutputError
    from flatscan.report.placing import Make
    from flatscan.report.say import Said

# commands whose text is itself what was asked for, to be read, piped or put into a file
PIPED = frozenset({"tolerances", "methods", "rates", "completion", "doctor"})


def words(text: str, *, quiet: bool = False) -> None:
    """Say a text on standard error; where nobody can read it any more the work goes on, and so does its exit code."""
    if quiet:
        return
    try:
        click.echo(text, err=True)
    except OSError:
        _to_nowhere(sys.stderr)


def tell(said: Note | str, units: str = "mm", *, quiet: bool = False) -> None:
    """Say what is known, in the units asked for, on standard error."""
    from flatscan.report.say import say

    words(say(said, units), quiet=quiet)


def notes(found: Iterable[Said], units: str = "mm") -> None:
    """Say what is worth saying of a result on standard error, a line each."""
    from flatscan.report.say import say

    for said in found:
        tell(note("run.note", note=say(said, units)), units)


def sheets_in(folder: Path, written: Sequence[Path | str], units: str = "mm") -> None:
    """Say on standard error where the sheets went."""
    names = tuple(Path(path).name for path in written)
    tell(note("run.sheets-in", folder=str(folder), files=names), units)


def trouble(error: FlatscanError, asked: dict[str, Any]) -> None:
    """Say what could not be done, in the units ``asked`` for, and the command line that goes on where there is one.

    ``asked`` is what the running command keeps for errors: its units, and its own words.
    """
    from flatscan.core.phrase import command_line

    text = f"flatscan: {error.text(command_line(asked['units']))}"
    if error.values.get("settled_by") == "overwrite":
        text += f" Go on with: {shlex.join(['flatscan', *asked['words'], '--overwrite'])}"
    words(text)


def hand_over(text: str) -> None:
    """Put a whole text on standard output; raises `OutputError` where it does not take all of it."""
    try:
        if sys.stdout is None:
            raise BrokenPipeError(0, "it is closed")
        sys.stdout.write(text)
        sys.stdout.flush()
    except OSError as reason:
        raise cannot_say(reason) from None


def cannot_say(reason: OSError) -> OutputError:
    """The error for a standard output that is full, or whose reader has gone; nothing more is written to it."""
    from flatscan.core.errors import OutputError

    if reason.filename is not None:
        # no stream: a file that nobody guarded
        return OutputError(
            str(reason.filename),
            "it cannot be used ({reason})",
            needed="a file that may be read, or written",
            remedy="Check its name, its rights and the room on its disk",
            reason=(reason.strerror or str(reason)).lower(),
        )
    _to_nowhere(sys.stdout)
    gone = isinstance(reason, BrokenPipeError)
    return OutputError(
        "standard output",
        "its reader went away before the end" if gone else "it takes no more ({reason})",
        needed="a reader that takes all of it" if gone else "room for all of it",
        remedy="Let it go into a file with room, or give {set:out}; sheets that were made stand",
        reason=(reason.strerror or str(reason)).lower(),
    )


def _to_nowhere(stream: Any) -> None:
    """Let what is still held of a stream go, so that Python does not stumble over it when it ends."""
    with suppress(OSError, ValueError, AttributeError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


def hand_out(
    command: str,
    given: dict[str, Any],
    document: dict[str, object],
    text: str,
    *,
    folder: str | Path | None = None,
    made: Sequence[tuple[str, Make]] = (),
    name: str = "",
    where: bool = True,
) -> None:
    """The answer of a command that makes no result of a wall: its document with --json, else its text.

    ``made`` are the files that go into ``folder``, without one into --out; with neither none is made. A ``name``
    (empty: none) is that of the one file that --out may name itself instead of its folder. ``where``: whether it is
    still to be said where the files went.
    """
    from flatscan import report
    from flatscan.report.placing import place

    out, written = given["out"] if folder is None else folder, []
    if out is not None and made:
        out, files = _named(Path(out), list(made), name)
        written = [path.name for path in place(out, files, overwrite=given["overwrite"])]
        if where and not given["quiet"]:
            sheets_in(out, written, given["units"])
    if given["as_json"]:
        hand_over(report.text({"schema": 1, "command": command} | document | {"files": written}))
    elif command not in PIPED:
        words(text.rstrip("\n"), quiet=given["quiet"])
    elif not written:
        hand_over(text)


def _named(out: Path, files: list[tuple[str, Make]], name: str) -> tuple[Path, list[tuple[str, Make]]]:
    """Folder and files where --out may be the one file itself: it is where it ends as that one does."""
    if name and out.suffix.lower() == Path(name).suffix and not out.is_dir():
        return out.parent, [(out.name if one == name else one, make) for one, make in files]
    return out, files


def byte_file(content: bytes) -> Make:
    """What writes bytes into a file."""

    def write(path: Path) -> None:
        path.write_bytes(content)

    return write


def text_file(text: str) -> Make:
    """What writes a text into a file, as it is."""

    def write(path: Path) -> None:
        path.write_text(text, encoding="utf-8", newline="\n")

    return write

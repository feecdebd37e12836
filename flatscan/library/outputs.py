"""What is done with an answer: said in words, kept as a document, written as sheets; and the limits to ask about."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from flatscan import report, standards
from flatscan.core.errors import FlatscanError
from flatscan.core.notes import Caution, Note, Unknown
from flatscan.core.phrase import Manner
from flatscan.jobs import Lines, Result
from flatscan.report.laser_work import line_record, line_text
from flatscan.standards import Tolerance


def tolerances(*words: str) -> tuple[Tolerance, ...]:
    """Published tolerances: what they limit, over which lengths, by which method, and how surely that is known.

    Parameters
    ----------
    *words : str
        All of them must stand in an entry; without any, every entry is listed.

    Returns
    -------
    tuple of Tolerance
        In the order of their ids; `lengths` and `limits` run in parallel, in metres.

    Raises
    ------
    FlatscanError
        `BadValue` where no entry holds the words.

    Source
    ------
    methods/tolerances 1 and 2; each entry names its document and edition.

    Examples
    --------
    >>> import flatscan as fs
    >>> all("plaster" in str(entry).lower() for entry in fs.tolerances("plaster"))
    True
    """
    return standards.matching(words)


def say(it: Result | Lines | Note | Caution | Unknown | FlatscanError, *, units: str = "mm", more: bool = False) -> str:
    """A result, or anything in it that is worth saying, in words.

    Parameters
    ----------
    it : Survey, Check, SetOut, Lows, Change, Lines, Note, Caution, Unknown or FlatscanError
        What is to be said.
    units : {"mm", "in"}
        Of lengths, areas, volumes and masses.
    more : bool
        All of a result, not only the lines that answer first.

    Returns
    -------
    str
        Five lines for a result, with `more` all of it; a phrase for the rest.

    Examples
    --------
    >>> import flatscan as fs
    >>> seen = fs.relief("sample_clouds/laser_grid.csv")
    >>> print(fs.say(seen.wall.plumb.known_from))
    laser plane
    """
    manner = Manner(units)
    if isinstance(it, Lines):
        return line_text(it, manner)
    if isinstance(it, _SHORT):
        return report.say(it, manner)
    return report.summary(it, manner, first=True) if more else report.first_screen(it, manner)


def document(result: Result | Lines) -> dict[str, object]:
    """A result as the plain document that the command line prints as JSON: lengths in millimetres under ``_mm``.

    Parameters
    ----------
    result : Survey, Check, SetOut, Lows, Change or Lines
        What a job found.

    Returns
    -------
    dict
        Dicts, lists, text and numbers rounded to 0.001, None for what is not known, with its reason in
        ``["capture"]["warnings"]``.

    Examples
    --------
    >>> import flatscan as fs
    >>> found = fs.lows("sample_clouds/laser_grid.csv")
    >>> fs.document(found)["wall"]["width_mm"]
    2400.0
    """
    return line_record(result) if isinstance(result, Lines) else report.document(result)


def write(
    result: Result,
    folder: str | Path,
    *,
    units: str = "mm",
    paper: str = "a4",
    formats: Iterable[str] = report.USUAL,
    overwrite: bool = False,
) -> tuple[Path, ...]:
    """Write the sheets of a result into a folder, all of them or none, in the place of its own earlier ones.

    Parameters
    ----------
    result : Survey, Check, SetOut, Lows or Change
        What a job found.
    folder : path
        Made where it is not there.
    units : {"mm", "in"}
        Of the sheets.
    paper : {"a4", "letter"}
        Of the PDF.
    formats : iterable of str
        Some of "png", "pdf", "html", "csv", "json", "dxf", "ply", "explain".
    overwrite : bool
        Also replace files of these names that flatscan did not write or that were changed since, and all sheets of
        another capture or wall.

    Returns
    -------
    tuple of Path
        The files, the result document last.

    Raises
    ------
    FlatscanError
        `OutputError` for a folder that cannot be written, or holds what only ``overwrite`` replaces; `BadValue` for an
        unknown format.

    Examples
    --------
    >>> import tempfile, flatscan as fs
    >>> found = fs.lows("sample_clouds/laser_grid.csv")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     [path.name for path in fs.write(found, folder, formats=["csv", "json"])]
    ['lows-offsets.csv', 'lows-spots.csv', 'lows-result.json']
    """
    return report.write(result, folder, units=units, paper=paper, formats=tuple(formats), overwrite=overwrite)


_SHORT = (Note, Caution, Unknown, FlatscanError)

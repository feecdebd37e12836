"""``flatscan line``: photos of a laser line."""

from __future__ import annotations

import sys
from pathlib import Path

import click


@click.command("line")
@click.argument("photos", nargs=-1, type=click.Path())
@click.option("--setup", type=click.Path(), help="The set-up (TOML) of the PHOTOS; without it PHOTOS is the set-up.")
@click.option("--json", "as_json", is_flag=True, help="The lines on stdout as JSON.")
@click.option("--quiet", is_flag=True, help="No words on standard error but errors.")
def command(photos: tuple[str, ...], setup: str | None, *, as_json: bool, quiet: bool) -> int:
    """How straight a wall is along photographed laser lines, with the ± of each and what would halve it.

    PHOTOS are pairs of pictures, laser on and laser off, from one fixed camera; or the set-up file that names them.

    Example: flatscan line hall-line.toml
    """
    from flatscan import sheets
    from flatscan.capture.laser_line.reader import survey_lines
    from flatscan.cli.progress import progress_bar
    from flatscan.sheets.line_survey import line_record, line_text

    path, pairs = _asked(photos, setup)
    with progress_bar(quiet=quiet) as progress:
        progress("measuring the lines", None)
        surveyed = survey_lines(path, pairs)
    if as_json:
        sys.stdout.write(sheets.text(line_record(surveyed)))
    else:
        click.echo(line_text(surveyed))
    return 0


def _asked(photos: tuple[str, ...], setup: str | None) -> tuple[Path, tuple[tuple[Path, Path], ...]]:
    """The set-up file, and pairs of pictures that replace its own."""
    if setup is None:
        if len(photos) != 1:
            raise click.UsageError("Give one set-up file, or pairs of pictures with --setup.")
        return Path(photos[0]), ()
    if len(photos) % 2:
        raise click.UsageError("Pictures come in pairs: laser on, laser off.")
    paths = [Path(photo) for photo in photos]
    return Path(setup), tuple(zip(paths[::2], paths[1::2], strict=True))

"""``flatscan line``: photos of a laser line."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from flatscan.cli.values import LENGTH


@click.command("line")
@click.argument("photos", nargs=-1, type=click.Path())
@click.option("--setup", type=click.Path(), help="The set-up (TOML) of the PHOTOS; without it PHOTOS is the set-up.")
@click.option("--rule", type=LENGTH, help="Length of the straightedge.  [default: 1.8m]")
@click.option("--json", "as_json", is_flag=True, help="The lines on stdout as JSON.")
@click.option("--quiet", is_flag=True, help="No words on standard error but errors.")
def command(photos: tuple[str, ...], setup: str | None, *, rule: float | None, as_json: bool, quiet: bool) -> int:
    """How straight a wall is along photographed laser lines, with the ± of each and what would halve it.

    PHOTOS are pairs of pictures, laser on and laser off, from one fixed camera; or the set-up file that names them.

    Example: flatscan line hall-line.toml
    """
    from flatscan import jobs, report
    from flatscan.cli.progress import progress_bar
    from flatscan.jobs import Requirement
    from flatscan.report.line_survey import line_record, line_text

    asked = Requirement(rule=Requirement().rule if rule is None else rule).rule

    path, pairs = _asked(photos, setup)
    with progress_bar(quiet=quiet) as progress:
        found = jobs.lines(path, asked, pairs, progress)
    if as_json:
        sys.stdout.write(report.text(line_record(found)))
    else:
        click.echo(line_text(found))
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

"""What photos of a fixed camera give: straightness along laser lines, and the lens itself."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from flatscan.cli import running
from flatscan.cli.kinds import LENGTH, SQUARES
from flatscan.cli.options import units_option
from flatscan.cli.progress import progress_bar
from flatscan.core.notes import note


@click.command("line")
@click.argument("photos", nargs=-1, type=click.Path())
@click.option("--setup", type=click.Path(), help="The set-up (TOML) of the PHOTOS; without it PHOTOS is the set-up.")
@click.option("--rule", type=LENGTH, help="Length of the straightedge.  [default: 1.8m]")
@click.option("--json", "as_json", is_flag=True, help="The lines on stdout as JSON.")
@units_option
@click.option("--quiet", is_flag=True, help="No words on standard error but errors.")
def line(
    photos: tuple[str, ...], setup: str | None, *, rule: float | None, as_json: bool, units: str, quiet: bool
) -> int:
    """How straight a wall is along photographed laser lines, with the ± of each and what would halve it.

    PHOTOS are pairs of pictures, laser on and laser off, from one fixed camera; or the set-up file that names them.

    Example: flatscan line hall-line.toml
    """
    from flatscan import jobs, report
    from flatscan.jobs import Requirement
    from flatscan.report.laser_work import line_record, line_text

    asked = Requirement(rule=Requirement().rule if rule is None else rule).rule

    path, pairs = _asked(photos, setup)
    with progress_bar(quiet=quiet) as progress:
        found = jobs.lines(path, asked, pairs, progress)
    if as_json:
        sys.stdout.write(report.text(line_record(found)))
    else:
        click.echo(line_text(found, units))
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


@click.command("calibrate")
@click.argument("photos", nargs=-1, required=True, type=click.Path())
@click.option("--board", type=SQUARES, required=True, help="Squares across and down, such as 10x7.")
@click.option("--square", type=LENGTH, required=True, help="Side of a square as measured on the paper.")
@click.option("--markers", is_flag=True, help="The board has markers in its white squares (flatscan targets --board).")
@click.option("--out", type=click.Path(), default="camera.json", show_default=True, help="The camera's file.")
@click.option("--json", "as_json", is_flag=True, help="The camera on stdout as JSON; a file only with --out given.")
@click.option("--quiet", is_flag=True, help="No words on standard error but errors.")
@click.option("--overwrite", is_flag=True, help="Replace a file that exists.")
@click.pass_context
def calibrate(
    ctx: click.Context,
    photos: tuple[str, ...],
    *,
    board: tuple[int, int],
    square: float,
    markers: bool,
    out: str,
    as_json: bool,
    quiet: bool,
    overwrite: bool,
) -> int:
    """Focal length and distortion of a lens from PHOTOS of a flat, printed, chequered board.

    Ten photos or more, focus locked at the wall's distance, the board tilted every way and brought to all edges.

    Example: flatscan calibrate board*.jpg --board 10x7 --square 24.8mm --markers
    """
    from flatscan.capture.printed_marks import Board
    from flatscan.capture.printed_marks import calibrate as calibrated
    from flatscan.report.placing import write_file

    with progress_bar(quiet=quiet) as progress:
        progress(note("stage.board"), None)
        found = calibrated([Path(photo) for photo in photos], Board(*board, square, markers))
    camera = found.camera
    given = ctx.get_parameter_source("out") != click.core.ParameterSource.DEFAULT
    if given or not as_json:
        write_file(out, camera.text().encode(), overwrite=overwrite)
    if as_json:
        sys.stdout.write(camera.text())
        return 0
    running.tell(note("run.calibrated", what=found.summary, file=out))
    for said in found.notes:
        running.tell(note("run.mind", note=said))
    return 0

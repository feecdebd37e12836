"""``flatscan calibrate``: a lens from photos of a printed board."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import click

from flatscan.cli.values import LENGTH


@click.command("calibrate")
@click.argument("photos", nargs=-1, required=True, type=click.Path())
@click.option("--board", required=True, metavar="WxH", help="Squares across and down, such as 10x7.")
@click.option("--square", type=LENGTH, required=True, help="Side of a square as measured on the paper.")
@click.option("--markers", is_flag=True, help="The board has markers in its white squares (flatscan targets --board).")
@click.option("--out", type=click.Path(), default="camera.json", show_default=True, help="The camera's file.")
@click.option("--json", "as_json", is_flag=True, help="The camera on stdout as JSON; a file only with --out given.")
@click.option("--quiet", is_flag=True, help="No words on standard error but errors.")
@click.option("--overwrite", is_flag=True, help="Replace a file that exists.")
@click.pass_context
def command(
    ctx: click.Context, photos: tuple[str, ...], *, board: str, square: float, markers: bool, out: str, as_json: bool,
    quiet: bool, overwrite: bool,
) -> int:  # fmt: skip
    """Focal length and distortion of a lens from PHOTOS of a flat, printed, chequered board.

    Ten photos or more, focus locked at the wall's distance, the board tilted every way and brought to all edges.

    Example: flatscan calibrate board*.jpg --board 10x7 --square 24.8mm --markers
    """
    from flatscan import report
    from flatscan.capture.printed_marks import Board, calibrate
    from flatscan.cli.progress import progress_bar
    from flatscan.report.one_file import write_file

    match = re.fullmatch(r"(\d+)\s*[x×]\s*(\d+)", board)
    if match is None:
        raise click.BadParameter(f"'{board}' is not squares across and down such as 10x7", param_hint="--board")
    with progress_bar(quiet=quiet) as progress:
        progress("looking for the board", None)
        calibration = calibrate([Path(photo) for photo in photos], Board(int(match[1]), int(match[2]), square, markers))
    camera = calibration.camera
    given = ctx.get_parameter_source("out") != click.core.ParameterSource.DEFAULT
    if given or not as_json:
        write_file(out, camera.text().encode(), overwrite=overwrite)
    if as_json:
        sys.stdout.write(camera.text())
        return 0
    click.echo(f"{report.say(calibration.summary)} Written to {out}.")
    for note in calibration.notes:
        click.echo(f"Mind: {report.say(note)}.")
    return 0

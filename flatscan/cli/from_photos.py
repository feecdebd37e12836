"""What photos of a fixed camera give: straightness along laser lines, and the lens itself."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from flatscan.cli import options
from flatscan.cli.kinds import BOARD, LENGTH
from flatscan.cli.progress import progress_bar
from flatscan.cli.speaking import hand_out, text_file
from flatscan.core.notes import note


@click.command("line")
@click.argument("photos", nargs=-1, type=click.Path())
@click.option("--setup", type=click.Path(), help="The set-up file (TOML), where PHOTOS are pictures.")
@click.option("--rule", type=LENGTH, help="Length of the straightedge.  [default: 1.8m]")
@click.option("--laser-on-only", is_flag=True, help="All PHOTOS show the laser: a dim room, no pictures without it.")
@click.option("--ask", is_flag=True, help="Ask for the set-up in words and write it: into --setup, or else line.toml.")
@options.output("Folder for the document.  [default: none is written]")
def line(
    photos: tuple[str, ...], setup: str | None, *, rule: float | None, laser_on_only: bool, ask: bool, **given: Any
) -> int:
    """How straight a wall is along laser lines in photos, each with its ± and what would halve it.

    PHOTOS are pairs of pictures, laser on and laser off, from one fixed camera. In a dim room one with the laser on
    will do. Or PHOTOS is the set-up file that names them.

    Example: flatscan line hall-line.toml
    """
    if ask:
        return _ask(Path(setup or "line.toml"), photos, given, alone=laser_on_only)
    from flatscan import jobs, report
    from flatscan.jobs import Requirement
    from flatscan.report.laser_work import line_record, line_text

    asked = Requirement(rule=Requirement().rule if rule is None else rule).rule

    path, pairs = _asked(photos, setup, alone=laser_on_only)
    with progress_bar(quiet=given["quiet"]) as progress:
        found = jobs.lines(path, asked, pairs, progress)
    record = line_record(found)
    made = [("line-result.json", text_file(report.text(record)))]
    hand_out("line", given, record, line_text(found, given["units"]), made=made)
    return 0


def _ask(path: Path, photos: tuple[str, ...], given: dict[str, Any], *, alone: bool) -> int:
    """Put the questions and write the file, where there is room for it."""
    from flatscan.cli.line_asking import ask_setup
    from flatscan.cli.speaking import tell
    from flatscan.desk.line_questions import is_video
    from flatscan.report.placing import must_be_free, write_file

    must_be_free(path, overwrite=given["overwrite"])
    alone = alone or (len(photos) == 1 and is_video(photos[0]))
    pairs = tuple((photo, "") for photo in photos) if alone else tuple(zip(photos[::2], photos[1::2], strict=False))
    if not alone and len(photos) % 2:
        raise click.UsageError("Pictures come in pairs: laser on, laser off. Without any laser off: --laser-on-only.")
    write_file(path, ask_setup(path, pairs).encode("utf-8"), overwrite=given["overwrite"])
    tell(note("run.setup-written", file=str(path)), given["units"])
    return 0


def _asked(
    photos: tuple[str, ...], setup: str | None, *, alone: bool
) -> tuple[Path, tuple[tuple[Path, Path | None], ...]]:
    """The set-up file, and pictures that replace its own: pairs, or ``alone`` with the laser on."""
    if setup is None:
        if len(photos) != 1:
            raise click.UsageError("Give one set-up file, or pairs of pictures with --setup.")
        return Path(photos[0]), ()
    paths = [Path(photo) for photo in photos]
    if alone or len(paths) == 1:
        return Path(setup), tuple((path, None) for path in paths)
    if len(photos) % 2:
        raise click.UsageError("Pictures come in pairs: laser on, laser off. Without any laser off: --laser-on-only.")
    return Path(setup), tuple(zip(paths[::2], paths[1::2], strict=True))


@click.command("calibrate")
@click.argument("photos", nargs=-1, required=True, type=click.Path())
@click.option(
    "--board",
    type=BOARD,
    required=True,
    help="How many squares across and down, such as 10x7; or circles:7x7, asymmetric-circles:4x11, markers:7x9.",
)
@click.option(
    "--square", type=LENGTH, required=True, help="Side of a square as measured; of circles, middle to middle in a row."
)
@click.option("--markers", is_flag=True, help="The board has markers in its white squares (flatscan targets --board).")
@click.option(
    "--laser", is_flag=True, help="The plane of a laser fixed beside the camera: the board held in its light."
)
@click.option("--camera", type=click.Path(), help="With --laser: the lens file.  [default: found from the same photos]")
@options.output("The camera's or laser's file, or a folder for it.  [default: camera.json, laser.json]")
def calibrate(
    photos: tuple[str, ...],
    *,
    board: str,
    square: float,
    markers: bool,
    laser: bool,
    camera: str | None,
    **given: Any,
) -> int:
    """Focal length of a lens and how it bends lines, from PHOTOS of a printed board; with --laser the laser's plane.

    Ten photos or more, focus locked at the wall's distance, the board tilted every way and brought to all edges. For
    the laser eight or more, the light across the tilted board, near the camera and at the wall. Move neither camera
    nor laser.

    Example: flatscan calibrate board*.jpg --board 10x7 --square 24.8mm --markers
    """
    import json

    from flatscan.capture.calibration.boards import as_board
    from flatscan.capture.calibration.lens import calibrate as calibrated
    from flatscan.capture.lines.lit_boards import calibrate_laser
    from flatscan.report.say import say

    if camera is not None and not laser:
        raise click.UsageError("--camera goes with --laser: without it the lens itself is found.")
    paths, asked = [Path(photo) for photo in photos], as_board(board, square, markers=markers)
    with progress_bar(quiet=given["quiet"]) as progress:
        progress(note("stage.board"), None)
        if laser:
            light = calibrate_laser(paths, asked, None if camera is None else Path(camera))
            content, name, summary, notes = light.plane.text(), "laser.json", light.summary, light.notes
        else:
            lens = calibrated(paths, asked)
            content, name, summary, notes = lens.camera.text(), "camera.json", lens.summary, lens.notes
    folder = given["out"] or (None if given["as_json"] else name)
    said = [note("run.calibrated", what=summary, file=str(folder))]
    said += [note("run.mind", note=one) for one in notes]
    text = "\n".join(say(one, given["units"]) for one in said)
    made = [(name, text_file(content))]
    hand_out("calibrate", given, json.loads(content), text, folder=folder, made=made, name=name, where=False)
    return 0

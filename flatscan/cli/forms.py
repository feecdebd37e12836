"""What is printed or filled in: the blank survey form, photo targets, and where the next laser readings go."""

from __future__ import annotations

import sys
from typing import Any

import click

from flatscan.cli import options, refusing, running
from flatscan.cli.kinds import LENGTH, SQUARES
from flatscan.cli.progress import progress_bar
from flatscan.core.choices import PAPERS
from flatscan.core.notes import note


@click.command("form")
@click.option("--width", type=LENGTH, default="4m", show_default=True, help="Width of the wall.")
@click.option("--height", type=LENGTH, default="2.4m", show_default=True, help="Height of the wall.")
@click.option("--spacing", type=LENGTH, default="1.2m", show_default=True, help="Most between columns of stations.")
@click.option("--title", default="", help="The wall's name.")
@click.option("--paper", type=click.Choice(PAPERS), default="a4", show_default=True, help="Of the form.")
@options.units_option
@click.option("--out", type=click.Path(), default="flatscan-form", show_default=True, help="Folder for the two files.")
@click.option("--overwrite", is_flag=True, help="Replace files that exist.")
def form(
    *, width: float, height: float, spacing: float, title: str, paper: str, units: str, out: str, overwrite: bool
) -> int:
    """A blank form with numbered stations in walking order, and the CSV to type the readings into.

    BIG = HOLLOW. Read the first station again last. Laser class 2, never at eye level; read from a stable platform.

    Example: flatscan form --width 4.2m --height 2.5m
    """
    from flatscan.report.form import Blank, write

    written = write(out, Blank(width, height, spacing, title), paper=paper, units=units, overwrite=overwrite)
    running.tell(note("run.form-written", files=tuple(map(str, written)), table=str(written[-1])), units)
    return 0


@click.command("targets")
@click.option("--size", type=LENGTH, required=True, help="Side of the black square on paper, or of a board's square.")
@click.option("--count", type=int, default=8, show_default=True, help="How many targets.")
@click.option("--first", type=int, default=0, show_default=True, help="Number of the first.")
@click.option("--board", type=SQUARES, help="A calibration board of so many squares instead, such as 7x9.")
@click.option("--paper", type=click.Choice(PAPERS), default="a4", show_default=True, help="Of the pages.")
@click.option("--out", type=click.Path(), default="targets.pdf", show_default=True, help="The PDF.")
@click.option("--overwrite", is_flag=True, help="Replace a file that exists.")
def targets(
    *, size: float, count: int, first: int, board: tuple[int, int] | None, paper: str, out: str, overwrite: bool
) -> int:
    """Printable targets for photos of a wall, to scale, with a ruler to check the print; or a calibration board.

    Print at 100 %, measure the black square on the paper, and use that size.

    Example: flatscan targets --size 120mm --count 8
    """
    from flatscan.capture.printed_marks import Board
    from flatscan.report.placing import write_file
    from flatscan.report.target_sheet import board_page, target_pages

    if board is None:
        pages = target_pages(size, count, first=first, paper=paper)
    else:
        pages = board_page(Board(*board, size, markers=True), paper=paper)
    write_file(out, pages, overwrite=overwrite)
    running.tell(note("run.targets-written", file=out))
    return 0


@click.command("plan-readings")
@click.argument("capture", type=click.Path())
@click.option("--rule", type=LENGTH, help="Length of the straightedge.  [default: 1.8m]")
@click.option("--limit", type=LENGTH, help="Largest gap allowed under it.  [default: 3mm]")
@click.option("--readings", default="6,12,20", show_default=True, help="Numbers of readings to plan for.")
@click.option("--form", type=click.Path(), help="Write the last plan as a CSV form to fill in.")
@options.capture_options
@click.option("--json", "as_json", is_flag=True, help="The plans on stdout as JSON.")
@options.units_option
@click.option("--quiet", is_flag=True, help="No words on standard error but errors.")
@click.option("--overwrite", is_flag=True, help="Replace a form that exists.")
def plan_readings(capture: str, **given: Any) -> int:
    """Where on a scanned wall the next laser readings help most, and whether a limit can be decided with them.

    Readings made already are given with --tie. Fill in the form and give it back with --tie to check or survey.

    Example: flatscan plan-readings wall.ply --limit 5mm --rule 2m --readings 12 --form ties.csv
    """
    from flatscan import jobs, report
    from flatscan.jobs.lasers import planned_readings
    from flatscan.report.laser_work import reading_form, reading_plan_text, reading_plans
    from flatscan.report.placing import write_file

    rule = given.pop("rule") or jobs.Requirement().rule
    limit = jobs.Requirement(limit=given.pop("limit") or jobs.Requirement().limit).limit
    counts = sorted({*options.numbers(given.pop("readings"), "--readings")} - {0})
    refusing.not_same_wall(given, "plan-readings")
    how = running.capturing(given)
    with progress_bar(quiet=given["quiet"]) as progress:
        planned = planned_readings(capture, how, rule, (0, *counts), progress)
    if given["form"] is not None:
        write_file(given["form"], reading_form(planned), overwrite=given["overwrite"])
    if not given["quiet"]:
        running.notes(planned.notes, given["units"])
    if given["as_json"]:
        sys.stdout.write(report.text(reading_plans(planned, limit)))
    else:
        click.echo(reading_plan_text(planned, limit, given["units"]))
    return 0

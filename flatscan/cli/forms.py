"""What is printed or filled in: the blank survey form, photo targets, and where the next laser readings go."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from flatscan.cli import options, refusing, running
from flatscan.cli.kinds import LENGTH, SQUARES
from flatscan.cli.progress import progress_bar
from flatscan.cli.speaking import byte_file, hand_out, notes, text_file
from flatscan.core.choices import PAPERS
from flatscan.core.notes import note


@click.command("form")
@click.option("--width", type=LENGTH, default="4m", show_default=True, help="Width of the wall.")
@click.option("--height", type=LENGTH, default="2.4m", show_default=True, help="Height of the wall.")
@click.option(
    "--spacing", type=LENGTH, default="1.2m", show_default=True, help="Most distance between two columns of stations."
)
@click.option("--title", default="", help="The wall's name.")
@click.option("--paper", type=click.Choice(PAPERS), default="a4", show_default=True, help="Paper of the form.")
@click.option("--record", is_flag=True, help="Also a form for client, people and instrument, for a record.")
@options.output("Folder for the files.  [default: flatscan-form]")
def form(*, width: float, height: float, spacing: float, title: str, paper: str, record: bool, **given: Any) -> int:
    """A blank form with numbered stations in walking order, and the CSV to type the readings into.

    BIG = HOLLOW. Laser class 1 or 2 only, read the label; never at eye level. Read from a stable platform, the first
    station again last.

    Example: flatscan form --width 4.2m --height 2.5m
    """
    from flatscan.report.form import Blank, files, form_document
    from flatscan.report.say import say

    units = given["units"]
    blank = Blank(width, height, spacing, title, units)
    # a document alone writes nothing
    folder = given["out"] or (None if given["as_json"] else "flatscan-form")
    made = files(blank, paper=paper, units=units, record=record)
    names = tuple(str(Path(folder or "") / name) for name, _ in made)
    text = say(note("run.form-written", files=names, table=names[-1]), units)
    hand_out("form", given, form_document(blank), text, folder=folder, made=made, where=False)
    return 0


@click.command("targets")
@click.option("--size", type=LENGTH, required=True, help="Side of the black square on paper, or of a board's square.")
@click.option("--count", type=int, default=8, show_default=True, help="How many targets.")
@click.option("--first", type=int, default=0, show_default=True, help="Number of the first target.")
@click.option("--board", type=SQUARES, help="A chequered board for the lens instead, such as 7x9 squares.")
@click.option("--guide", is_flag=True, help="Also a page on how to take photos of a bare wall.")
@click.option("--paper", type=click.Choice(PAPERS), default="a4", show_default=True, help="Paper of the pages.")
@options.output("The PDF, or a folder for it.  [default: targets.pdf]")
def targets(
    *, size: float, count: int, first: int, board: tuple[int, int] | None, guide: bool, paper: str, **given: Any
) -> int:
    """Printable targets for photos of a wall, to scale, with a ruler to check the print; or a calibration board.

    Print at 100 %, measure the black square on the paper, and use that size. For photos of a bare wall --guide adds a
    page that shows how to take them.

    Example: flatscan targets --size 120mm --count 8
    """
    from flatscan.capture.calibration.boards import MARKERS, Board
    from flatscan.report.say import say
    from flatscan.report.target_sheet import board_page, target_pages, targets_document

    if board is None:
        pages = target_pages(size, count, first=first, paper=paper, units=given["units"], guide=guide)
    else:
        pages = board_page(Board(*board, size, MARKERS), paper=paper, units=given["units"])
    name = "targets.pdf"
    folder = given["out"] or (None if given["as_json"] else name)
    text = say(note("run.targets-written", file=str(folder)), given["units"])
    document = targets_document(size, range(first, first + count), board, paper)
    made = [(name, byte_file(pages))]
    hand_out("targets", given, document, text, folder=folder, made=made, name=name, where=False)
    return 0


@click.command("plan-readings")
@click.argument("capture", type=click.Path())
@click.option("--rule", type=LENGTH, help="Length of the straightedge.  [default: 1.8m]")
@click.option("--limit", type=LENGTH, help="Largest gap allowed under it.  [default: 3mm]")
@click.option("--readings", default="6,12,20", show_default=True, help="How many readings to plan for.")
@click.option("--form", type=click.Path(), help="Write the last plan as a CSV form to fill in.")
@options.capture_options
@options.output("Folder for the plans and a form of the last.  [default: none is written]")
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
        write_file(given["form"], reading_form(planned, given["units"]), overwrite=given["overwrite"])
    if not given["quiet"]:
        notes(planned.notes, given["units"])
    plans = reading_plans(planned, limit)
    made = [("plan-readings.csv", byte_file(reading_form(planned, given["units"])))]
    made += [("plan-readings-result.json", text_file(report.text(plans)))]
    hand_out("plan-readings", given, plans, reading_plan_text(planned, limit, given["units"]), made=made)
    return 0

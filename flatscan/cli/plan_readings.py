"""``flatscan plan-readings``: where the next laser readings help most."""

from __future__ import annotations

import sys
from typing import Any

import click

from flatscan.cli import options, running
from flatscan.cli.progress import progress_bar
from flatscan.cli.values import LENGTH


@click.command("plan-readings")
@click.argument("capture", type=click.Path())
@click.option("--rule", type=LENGTH, help="Length of the straightedge.  [default: 1.8m]")
@click.option("--limit", type=LENGTH, help="Largest gap allowed under it.  [default: 3mm]")
@click.option("--readings", default="6,12,20", show_default=True, help="Numbers of readings to plan for.")
@click.option("--form", type=click.Path(), help="Write the last plan as a CSV form to fill in.")
@options.capture_options
@click.option("--json", "as_json", is_flag=True, help="The plans on stdout as JSON.")
@click.option("--quiet", is_flag=True, help="No words on standard error but errors.")
@click.option("--overwrite", is_flag=True, help="Replace a form that exists.")
def command(capture: str, **given: Any) -> int:
    """Where on a scanned wall the next laser readings help most, and whether a limit can be decided with them.

    Readings made already are given with --tie. Fill in the form and give it back with --tie to check or survey.

    Example: flatscan plan-readings wall.ply --limit 5mm --rule 2m --readings 12 --form ties.csv
    """
    from flatscan import jobs, report
    from flatscan.jobs.lasers import planned_readings
    from flatscan.report.one_file import write_file
    from flatscan.report.reading_plan import reading_form, reading_plan_text, reading_plans

    rule = given.pop("rule") or jobs.Requirement().rule
    limit = jobs.Requirement(limit=given.pop("limit") or jobs.Requirement().limit).limit
    counts = _counts(given.pop("readings"))
    how = running.capturing(given)
    with progress_bar(quiet=given["quiet"]) as progress:
        planned = planned_readings(capture, how, rule, (0, *counts), progress)
    if given["form"] is not None:
        write_file(given["form"], reading_form(planned), overwrite=given["overwrite"])
    if not given["quiet"]:
        for note in report.spoken(planned.notes):
            click.echo(f"note: {note}", err=True)
    if given["as_json"]:
        sys.stdout.write(report.text(reading_plans(planned, limit)))
    else:
        click.echo(reading_plan_text(planned, limit))
    return 0


def _counts(text: str) -> tuple[int, ...]:
    try:
        return tuple(sorted({int(part) for part in text.split(",")} - {0}))
    except ValueError:
        hint = f"'{text}' is not a list of numbers such as 6,12,20"
        raise click.BadParameter(hint, param_hint="--readings") from None

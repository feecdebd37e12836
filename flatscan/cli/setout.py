"""``flatscan setout``: screeds, dots and packings."""

from __future__ import annotations

from typing import Any

import click

from flatscan.cli import options, running
from flatscan.cli.values import LENGTH


@click.command("setout")
@options.captures
@click.option("--spacing", type=LENGTH, help="Most between screeds.  [default: rule less 300 mm]")
@click.option("--strip", type=LENGTH, help="Thickness of strips: packing is to their back instead of the face.")
@click.option("--finish", type=LENGTH, help="Thickness of the coat that follows the screeds.")
@click.option("--laser", type=LENGTH, help="How far a plumb laser plane stands off the wall's foot.")
@options.finish_options
@options.rule_options
@options.capture_options
@options.output_options
@options.sheet_options
def setout(captures: tuple[str, ...], **given: Any) -> int:
    """Set out: where the screeds stand, the packing at each dot, which dot to start from, and the check lines.

    Example: flatscan setout wall.ply --rule 1.8m --strip 9.5mm --capture-type scanner
    """
    from flatscan import jobs
    from flatscan.plan.screeds import SetOutOptions

    running.one_wall_only(captures, given)
    how = running.capturing(given)
    finish = running.finishing(given)
    test = jobs.Requirement.by(rule=given.pop("rule"), directions=options.degrees(given.pop("directions")))
    places = SetOutOptions(
        rule=test.rule,
        spacing=given.pop("spacing"),
        strip=given.pop("strip"),
        finish=given.pop("finish") or 0.0,
        laser=given.pop("laser"),
    )
    results = running.run_each(
        captures, given, lambda path, progress: jobs.set_out(path, how, test, finish, places, progress)
    )
    return running.exit_code(results, judged=False)

"""``flatscan survey``: before quoting."""

from __future__ import annotations

from typing import Any

import click

from flatscan.cli import options, running


@click.command("survey")
@options.captures
@click.option("--list", "listing", is_flag=True, help="Only list the walls found.")
@click.option("--together", metavar="WALLS", help="Plan several walls of a room as one, such as 1,2: one order.")
@click.option("--corners", type=click.Choice(["square", "keep"]), default="square", show_default=True, help="Of those.")
@options.finish_options
@options.quote_options
@options.rule_options
@options.capture_options
@options.explain_option
@options.output_options
@options.sheet_options
def survey(captures: tuple[str, ...], *, listing: bool, together: str | None, corners: str, **given: Any) -> int:
    """Before quoting: what the wall is, build-up, coats, material, hacking, stop signs.

    Example: flatscan survey wall.ply --least 6mm --system gypsum-undercoat
    """
    from flatscan import jobs

    running.one_wall_only(captures, given)
    how = running.capturing(given)
    if listing:
        return running.list_walls(captures, how, given)
    finish = running.finishing(given)
    test = jobs.Requirement.by(rule=given.pop("rule"), directions=options.degrees(given.pop("directions")))

    def work(path: str, progress: jobs.Progress) -> jobs.Result | tuple[jobs.Result, ...]:
        if together is None:
            return jobs.survey(path, how, test, finish, progress)
        return jobs.survey_together(
            path, how, test, finish, walls=options.numbers(together, "--together"), corners=corners, progress=progress
        )

    return running.exit_code(running.run_each(captures, given, work), judged=False)

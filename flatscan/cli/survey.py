"""``flatscan survey``: before quoting."""

from __future__ import annotations

from typing import Any

import click

from flatscan.cli import options, running


@click.command("survey")
@options.captures
@click.option("--list", "listing", is_flag=True, help="Only list the walls found.")
@options.finish_options
@options.quote_options
@options.rule_options
@options.capture_options
@options.output_options
def command(captures: tuple[str, ...], *, listing: bool, **given: Any) -> int:
    """Before quoting: what the wall is, build-up, coats, material, hacking, stop signs.

    Example: flatscan survey wall.ply --least 6mm --system gypsum-undercoat
    """
    from flatscan import survey

    running.one_wall_only(captures, given)
    how = running.capturing(given)
    if listing:
        return running.list_walls(captures, how, given)
    finish = running.finishing(given)
    test = survey.Testing.by(rule=given.pop("rule"), directions=options.degrees(given.pop("directions")))
    results = running.run_each(
        captures, given, lambda path, progress: survey.survey(path, how, test, finish, progress)
    )  # fmt: skip
    return running.exit_code(results, judged=False)

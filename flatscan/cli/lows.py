"""``flatscan lows``: after ruling off."""

from __future__ import annotations

from typing import Any

import click

from flatscan.cli import options, running
from flatscan.cli.values import LENGTH


@click.command("lows")
@options.captures
@click.option("--limit", type=LENGTH, help="Depth from which a low is listed.  [default: 2mm]")
@options.rule_options
@options.capture_options
@options.output_options
def command(captures: tuple[str, ...], **given: Any) -> int:
    """After ruling off: what to fill or shave, where, how deep, how many litres, in the order of work.

    Example: flatscan lows ruled.ply --rule 1.8m --capture-type scanner
    """
    from flatscan import survey

    running.one_wall_only(captures, given)
    how = running.capturing(given)
    limit = given.pop("limit")
    test = survey.Testing.by(
        rule=given.pop("rule"), limit=limit, directions=options.degrees(given.pop("directions"))
    )  # fmt: skip
    depth = {} if limit is None else {"limit": limit}
    results = running.run_each(
        captures, given, lambda path, progress: survey.lows(path, how, test, progress=progress, **depth)
    )  # fmt: skip
    return running.exit_code(results, judged=False)

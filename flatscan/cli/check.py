"""``flatscan check``: does it conform."""

from __future__ import annotations

from typing import Any

import click

from flatscan.cli import options, running
from flatscan.cli.values import LENGTH


@click.command("check")
@options.captures
@options.rule_options
@click.option("--limit", type=LENGTH, help="Largest gap allowed under the rule.")
@click.option("--tolerance", help="A published tolerance by its ID (see flatscan tolerances) instead of a limit.")
@click.option("--plumb-limit", type=LENGTH, help="Largest lean allowed over the wall's height.")
@click.option("--confidence", type=float, default=0.95, show_default=True, help="Of the method.")
@options.capture_options
@options.output_options
def command(captures: tuple[str, ...], **given: Any) -> int:
    """Does it conform: flatness under a straightedge, and plumb where a limit is given, each with its ±.

    Exit code 0: every criterion asked for is within; 3: one is outside; 4: otherwise.

    Example: flatscan check wall.ply --rule 1.8m --limit 3mm --capture-type scanner
    """
    from flatscan import survey

    if given["limit"] is None and given["tolerance"] is None and given["plumb_limit"] is None:
        raise click.UsageError("Give a limit to judge by: --rule 1.8m --limit 3mm, or --tolerance ID.")
    running.one_wall_only(captures, given)
    how = running.capturing(given)
    test = survey.Testing.by(
        rule=given.pop("rule"), limit=given.pop("limit"), tolerance=given.pop("tolerance"),
        plumb_limit=given.pop("plumb_limit"), directions=options.degrees(given.pop("directions")),
        confidence=given.pop("confidence"),
    )  # fmt: skip
    results = running.run_each(captures, given, lambda path, progress: survey.check(path, how, test, progress))
    return running.exit_code(results, judged=True)

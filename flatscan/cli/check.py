"""``flatscan check``: does it conform."""

from __future__ import annotations

from typing import Any

import click

from flatscan.cli import options, running
from flatscan.cli.values import LENGTH
from flatscan.core.choices import METHODS


@click.command("check")
@options.captures
@options.rule_options
@click.option("--limit", type=LENGTH, help="Largest gap allowed under the rule.")
@click.option("--tolerance", multiple=True, help="A published tolerance by its ID instead (see flatscan tolerances).")
@click.option("--method", type=click.Choice(METHODS), default=METHODS[0], show_default=True, help="Of --limit.")
@click.option("--plumb-limit", type=LENGTH, help="Largest lean allowed over the wall's height.")
@click.option("--step-limit", type=LENGTH, help="Largest abrupt step allowed.")
@click.option("--corner-limit", type=LENGTH, help="How far a corner may be out of square over 600 mm.")
@click.option("--hand", type=click.Path(), help="Straightedge readings people made (CSV), set beside the scan's.")
@click.option("--confidence", type=float, default=0.95, show_default=True, help="Of the method.")
@options.capture_options
@options.explain_option
@options.output_options
@options.sheet_options
def check(captures: tuple[str, ...], **given: Any) -> int:
    """Does it conform: flatness under a straightedge, and plumb where a limit is given, each with its ±.

    Exit code 0: every criterion asked for is within; 3: one is outside; 4: otherwise.

    Example: flatscan check wall.ply --rule 1.8m --limit 3mm --capture-type scanner
    """
    from flatscan import jobs

    limits = ("limit", "plumb_limit", "step_limit", "corner_limit")
    if not given["tolerance"] and all(given[name] is None for name in limits):
        raise click.UsageError("Give a limit to judge by: --rule 1.8m --limit 3mm, or --tolerance ID.")
    running.one_wall_only(captures, given)
    how = running.capturing(given)
    names = ("rule", *limits, "tolerance", "method", "hand", "confidence")
    test = jobs.Requirement.by(
        directions=options.degrees(given.pop("directions")), **{name: given.pop(name) for name in names}
    )
    results = running.run_each(captures, given, lambda path, progress: jobs.check(path, how, test, progress))
    return running.exit_code(results, judged=True)

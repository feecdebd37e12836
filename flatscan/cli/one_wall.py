"""Commands about one wall: ``survey``, ``check``, ``setout`` and ``lows``."""

from __future__ import annotations

import sys
from typing import Any

import click

from flatscan.cli import options, running
from flatscan.cli.options import LENGTH


@click.command("check")
@options.captures
@options.rule_options
@click.option("--limit", type=LENGTH, help="Largest gap allowed under the rule.")
@click.option("--tolerance", multiple=True, help="A published tolerance by its ID instead (see flatscan tolerances).")
@options.method_option
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
    results = running.run_each(
        captures, given, lambda path, progress: jobs.check(path, how, test, progress), same_wall=how.same_wall
    )
    return running.exit_code(results, judged=True)


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

    def work(path: Any, progress: jobs.Progress) -> jobs.Result | tuple[jobs.Result, ...]:
        if together is None:
            return jobs.survey(path, how, test, finish, progress)
        return jobs.survey_together(
            path, how, test, finish, walls=options.numbers(together, "--together"), corners=corners, progress=progress
        )

    results = running.run_each(captures, given, work, same_wall=how.same_wall)
    return running.exit_code(results, judged=False)


@click.command("setout")
@options.captures
@click.option("--spacing", type=LENGTH, help="Most between screeds.  [default: rule less 300 mm]")
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
    places = SetOutOptions(rule=test.rule, spacing=given.pop("spacing"))
    results = running.run_each(
        captures,
        given,
        lambda path, progress: jobs.set_out(path, how, test, finish, places, progress),
        same_wall=how.same_wall,
    )
    return running.exit_code(results, judged=False)


@click.command("lows")
@click.argument("captures", nargs=-1, type=click.Path())
@click.option("--by-hand", type=click.Path(), help="Straightedge readings written down (CSV), instead of a capture.")
@click.option("--limit", type=LENGTH, help="Depth from which a low is listed.  [default: 2mm]")
@options.rule_options
@options.capture_options
@options.output_options
@options.sheet_options
def lows(captures: tuple[str, ...], *, by_hand: str | None, **given: Any) -> int:
    """After ruling off: what to fill or shave, where, how deep, how many litres, in the order of work.

    Readings by hand are a table with the columns x_m, y_m, depth_mm, width_mm, height_mm (any unit of length).

    Example: flatscan lows ruled.ply --rule 1.8m --capture-type scanner
    """
    from flatscan import jobs

    if bool(captures) == (by_hand is not None):
        raise click.UsageError("Give a capture, or --by-hand with a file of straightedge readings.")
    if by_hand is not None:
        return _by_hand(by_hand, given)
    running.one_wall_only(captures, given)
    how = running.capturing(given)
    limit = given.pop("limit")
    test = jobs.Requirement.by(rule=given.pop("rule"), limit=limit, directions=options.degrees(given.pop("directions")))
    depth = {} if limit is None else {"limit": limit}
    results = running.run_each(
        captures,
        given,
        lambda path, progress: jobs.lows(path, how, test, progress=progress, **depth),
        same_wall=how.same_wall,
    )
    return running.exit_code(results, judged=False)


def _by_hand(path: str, given: dict[str, Any]) -> int:
    from flatscan import jobs, report

    limit = {} if given["limit"] is None else {"limit": given["limit"]}
    lows = jobs.lows_by_hand(path, **limit)
    if given["as_json"]:
        sys.stdout.write(report.text(report.document(lows)))
    else:
        click.echo(report.summary(lows, given["units"]))
    return 0

"""Commands about one wall: ``survey``, ``check``, ``setout`` and ``lows``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from flatscan.cli import by_plan, options, refusing, running
from flatscan.cli.kinds import LENGTH
from flatscan.cli.speaking import hand_out, text_file
from flatscan.core.notes import note

if TYPE_CHECKING:
    from flatscan import jobs


@click.command("check", cls=options.Grouped)
@options.captures
@options.check_options
@options.explain_option
@options.plan_options
@options.more_option
@options.output_options
@options.sheet_options
def check(captures: tuple[str, ...], **given: Any) -> int:
    """Is it flat enough under a straightedge, and plumb enough where a limit is given? Each with its ±.

    Exit code 0: all that was asked for is within; 3: something is outside; 4: not decided.

    Example: flatscan check wall.ply --rule 1.8m --limit 3mm --capture-type scanner
    """
    from flatscan import jobs

    refusing.one_wall_only(captures, given)
    # what there is to judge by may stand in the plan; without it no capture is read
    for one in running.asked_each(captures, given):
        if not one.given["tolerance"] and all(one.given[name] is None for name in running.LIMITS):
            raise click.UsageError("Give a limit to judge by: --rule 1.8m --limit 3mm, or --tolerance ID.")

    def work(path: Any, asked: by_plan.Asked, progress: jobs.Progress) -> jobs.Result:
        said, test = asked.given, running.judging(asked.given, asked.hand)
        return jobs.check(path, running.capturing(said), test, progress)

    return running.exit_code(running.run_each(captures, given, work), judged=True)


@click.command("survey", cls=options.Grouped)
@options.captures
@click.option("--list", "listing", is_flag=True, help="Only list the walls found.")
@click.option(
    "--together", metavar="WALLS", help="Plan several walls of a room as one, such as 1,2: one order for all."
)
@click.option(
    "--corners",
    type=click.Choice(["square", "keep"]),
    default="square",
    show_default=True,
    help="With --together: make the corners square, or keep them as they are.",
)
@options.finish_options
@options.quote_options
@options.explain_option
@options.plan_options
@options.more_option
@options.output_options
@options.sheet_options
def survey(captures: tuple[str, ...], *, listing: bool, together: str | None, corners: str, **given: Any) -> int:
    """Before quoting: how far out the wall is, what goes on it, what to hack, and signs to stop.

    Example: flatscan survey wall.ply --least 6mm --system gypsum-undercoat
    """
    from flatscan import jobs

    refusing.one_wall_only(captures, given)
    if listing:
        asked = running.asked_each(captures, given)
        return running.list_walls(captures, running.capturing(asked[0].given), given)

    def work(path: Any, asked: by_plan.Asked, progress: jobs.Progress) -> jobs.Result | tuple[jobs.Result, ...]:
        how, finish, test = running.capturing(asked.given), running.finishing(asked.given), _rule(asked.given)
        if together is None:
            return jobs.survey(path, how, test, finish, progress)
        return jobs.survey_together(
            path, how, test, finish, walls=options.numbers(together, "--together"), corners=corners, progress=progress
        )

    return running.exit_code(running.run_each(captures, given, work), judged=False)


@click.command("setout", cls=options.Grouped)
@options.captures
@click.option("--spacing", type=LENGTH, help="Most distance between two screeds.  [default: rule less 300 mm]")
@options.finish_options
@options.plan_options
@options.more_option
@options.output_options
@options.sheet_options
def setout(captures: tuple[str, ...], **given: Any) -> int:
    """Set out: where the screeds stand, the packing at each dot, where to start, and how to check it.

    Example: flatscan setout wall.ply --rule 1.8m --strip 8mm --capture-type scanner
    """
    from flatscan import jobs
    from flatscan.plan.screeds import SetOutOptions

    refusing.one_wall_only(captures, given)

    def work(path: Any, asked: by_plan.Asked, progress: jobs.Progress) -> jobs.Result:
        how, finish, test = running.capturing(asked.given), running.finishing(asked.given), _rule(asked.given)
        places = SetOutOptions(rule=test.rule, spacing=asked.given["spacing"])
        return jobs.set_out(path, how, test, finish, places, progress)

    return running.exit_code(running.run_each(captures, given, work), judged=False)


@click.command("lows", cls=options.Grouped)
@click.argument("captures", nargs=-1, type=click.Path())
@click.option("--by-hand", type=click.Path(), help="Straightedge readings written down (CSV), instead of a capture.")
@options.plan_options
@options.more_option
@options.output_options
@options.sheet_options
def lows(captures: tuple[str, ...], *, by_hand: str | None, **given: Any) -> int:
    """After ruling off: what to fill or shave, where, how deep, how many litres, in the order of work.

    A low is listed from the depth --limit on, 2mm where none is given. Readings by hand are a table with the columns
    x_m, y_m, depth_mm, width_mm, height_mm (any unit of length).

    Example: flatscan lows ruled.ply --rule 1.8m --capture-type scanner
    """
    from flatscan import jobs

    if bool(captures) == (by_hand is not None):
        raise click.UsageError("Give a capture, or --by-hand with a file of straightedge readings.")
    if by_hand is not None:
        return _by_hand(by_hand, given)
    refusing.one_wall_only(captures, given)

    def work(path: Any, asked: by_plan.Asked, progress: jobs.Progress) -> jobs.Result:
        limit = asked.given["limit"]
        depth = {} if limit is None else {"limit": limit}
        how, test = running.capturing(asked.given), _rule(asked.given, **depth)
        return jobs.lows(path, how, test, progress=progress, shave=asked.given.get("shave") or (), **depth)

    return running.exit_code(running.run_each(captures, given, work), judged=False)


def _rule(given: dict[str, Any], **limit: Any) -> jobs.Requirement:
    from flatscan import jobs

    return jobs.Requirement.by(rule=given["rule"], directions=options.degrees(given["directions"]), **limit)


def _by_hand(path: str, given: dict[str, Any]) -> int:
    from flatscan import jobs, report

    known = {name: given[name] for name in ("limit", "width", "height") if given[name] is not None}
    lows, units = jobs.lows_by_hand(path, **known), given["units"]
    document = report.document(lows)
    text = report.summary(lows, units) if given["more"] else report.first_screen(lows, units)
    text += "" if given["more"] else report.say(note("first.more"), units)
    hand_out("lows", given, document, text, made=[("lows-result.json", text_file(report.text(document)))])
    return 0

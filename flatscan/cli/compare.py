"""``flatscan compare``: what changed on a wall between two surveys of it, or over a series of them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from flatscan.cli import by_plan, options, refusing, running
from flatscan.cli.progress import progress_bar
from flatscan.cli.speaking import hand_over, sheets_in, words

if TYPE_CHECKING:
    from flatscan.jobs import Capturing, Comparing

_TIES = ("same_frame", "same_surface", "reference", "reference_wall", "points", "points_u", "align_u")


@click.command("compare", cls=options.Grouped)
@click.argument("surveys", nargs=-1, required=True, type=click.Path(), metavar="EARLIER LATER...")
@options.compare_options
@options.finish_options
@options.explain_option
@options.plan_options
@options.more_option
@options.output_options
def compare(surveys: tuple[str, ...], **given: Any) -> int:
    """What changed between EARLIER and LATER, two surveys of one wall: what was put on, where, how sure.

    A thickness is known only where something ties the two surveys together: --same-frame, --reference,
    --reference-wall or --points. Without a tie only changes of shape are told. More than two surveys, or a folder of
    them, make a series: what was done between, and numbered low spots that keep their number.

    Where the surveys do not fit what was said of them the exit code is 4 until --confirm answers. With --stage dispute
    two parties measured one unchanged wall: where do they differ by more than both allow for?

    Example: flatscan compare before.ply after.ply --reference 0,0,0.2m,2.4m --reference 3.8m,0,4m,2.4m
    """
    from flatscan import jobs

    refusing.not_same_wall(given, "compare")
    asked_for = running.asked_each(surveys[-1:], given)[0]
    # what is taken out below stays with what was asked for
    given = dict(asked_for.given)
    limit = given["limit"]
    hows = hows_of(given)
    asked = asked_of(given)
    if len(surveys) != 2:
        if given["keep"]:
            raise click.UsageError("Give --keep with two surveys: a series has no plan of its own.")
        return _series(surveys, hows[1], asked, limit, given)
    earlier, later = surveys
    finish = running.finishing(given)

    def work(path: Any, _asked: by_plan.Asked, progress: jobs.Progress) -> jobs.Result:
        return jobs.compare_surveys(earlier, path, hows, asked, finish, progress)

    results = running.run_each((later,), given, work, [asked_for])
    return running.exit_code(results, judged=False)


def hows_of(given: dict[str, Any]) -> tuple[Capturing, Capturing]:
    """How the earlier and the later capture are read: alike, but for what is said of the earlier."""
    named, kind, tie = given.pop("earlier_wall"), given.pop("earlier_type"), given.pop("earlier_tie")
    later = running.capturing(given)
    wall, part = named or (later.wall, later.part)
    earlier = replace(later, wall=wall, part=part, tie=tie, repeat=())
    return (earlier if kind is None else replace(earlier, capture_type=kind)), later


def asked_of(given: dict[str, Any]) -> Comparing:
    """What is asked of the comparison, out of the options."""
    from flatscan.jobs import Comparing, Requirement
    from flatscan.jobs.settings import USUAL_COVER

    ties = {name: given.pop(name) for name in _TIES}
    walls = ties.pop("reference_wall")
    plain = {name: value for name, value in ties.items() if value is not None}
    background = given.pop("background_tolerance")
    accepted = bool(given.get("accept_source"))
    asks = bool(given["tolerance"]) or given["limit"] is not None
    # how firm the later surface must be is asked by limit and tolerance alone
    finish = running.judging(given | {"plumb_limit": None}, by_plan.by_hand()) if asks else None
    directions = options.degrees(given["directions"])
    return Comparing(
        **plain,
        reference_walls=tuple(walls),
        confirm=tuple(given["confirm"]),
        least=given["least"] or USUAL_COVER,
        quoted=given.pop("quoted"),
        used=given.pop("used"),
        allowance=given.pop("allowance"),
        rates=given["rates"],
        finish=finish,
        background=None
        if background is None
        else Requirement.by(tolerance=background, directions=directions, accept_source=accepted),
    )


def _series(
    surveys: tuple[str, ...], how: Capturing, asked: Comparing, limit: float | None, given: dict[str, Any]
) -> int:
    """All surveys of a folder, or more than two named: one after the other."""
    from flatscan import report
    from flatscan.jobs import series
    from flatscan.plan.lows import LIMIT
    from flatscan.report import listings as paper
    from flatscan.report.job_folder import folder_of

    if len(surveys) == 1 and not Path(surveys[0]).is_dir():
        raise click.UsageError("Give two surveys, EARLIER and LATER, or a folder of them.")
    depth = LIMIT if limit is None else limit
    with progress_bar(quiet=given["quiet"]) as progress:
        if len(surveys) == 1:
            surveyed = series.series_of_folder(surveys[0], how, asked, depth, progress)
        else:
            surveyed = series.series(surveys, how, asked, depth, progress)
    if given["out"] is not None or not given["as_json"]:
        folder = Path(given["out"] or folder_of(surveys[-1]))
        written = paper.write_series(surveyed, folder, overwrite=given["overwrite"])
        if not given["quiet"]:
            sheets_in(folder, written, given["units"])
    if given["as_json"]:
        hand_over(report.text(paper.series_document(surveyed)))
    else:
        words(paper.series_text(surveyed, given["units"]).rstrip("\n"), quiet=given["quiet"])
    return running.UNDECIDED if any(step.change.questions for step in surveyed.steps) else 0

"""``flatscan site``: many walls, resumable, one summary."""

from __future__ import annotations

import shlex
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from flatscan.cli import by_plan, options, refusing, running
from flatscan.cli.kinds import LENGTH
from flatscan.cli.speaking import hand_over, tell, words
from flatscan.core.notes import Note, note
from flatscan.core.quantity import hours

if TYPE_CHECKING:
    from flatscan.jobs.job_plan import PlanUsed
    from flatscan.site.job import Capture, Row, Settings
    from flatscan.site.left_open import Answer
    from flatscan.site.run import Pool, Run, Watch

# options that describe one wall: with one of them and no --wall, only wall 1 is meant
_ONE_WALL = (
    "seen_from",
    "width",
    "height",
    "region",
    "opening",
    "no_opening",
    "as_wall",
    "not_wall",
    "fix",
    "repeat",
    "tie",
    "clash",
    "parallel_to",
    "square_to",
)


def _job_options(command: Any) -> Any:  # noqa: ANN401
    """What may be said for the whole site and, in a list's own column, for a single capture."""
    for decorate in (
        options.wall_options,
        click.option(
            "--confidence", type=float, default=0.95, show_default=True, help="How sure a decision has to be."
        ),
        click.option("--corner-limit", type=LENGTH, help="How far a corner may be out of square over 600 mm."),
        click.option("--step-limit", type=LENGTH, help="Largest sudden step allowed."),
        options.quote_options,
        options.finish_options,
    ):
        command = decorate(command)
    return command


@click.command("site", cls=options.Grouped)
@click.argument("source", metavar="FOLDER|LIST.csv", type=click.Path())
@click.option("--jobs", type=click.IntRange(1), help="Walls worked on at once.  [default: one per processor]")
@click.option(
    "--time-limit",
    type=click.FloatRange(1),
    metavar="SECONDS",
    default=3600,
    show_default=True,
    help="Longest time for one wall.",
)
@click.option(
    "--memory-limit", type=click.FloatRange(1), metavar="GB", help="Most memory for one wall.  [default: a fair share]"
)
@click.option("--formats", metavar="LIST", help="Sheets of each wall, such as png,json.  [default: all]")
@click.option(
    "--cluster", metavar="ADDRESS", help="Share the work with machines you trust (Dask), such as tcp://host:8786."
)
@_job_options
@options.plan_file_options
@options.more_option
@options.output_options
def site(source: str, **given: Any) -> int:
    """Many walls: every capture in a folder or a list, all walls of each. Stopped, it goes on where it was.

    A list has the columns wall, file, options, tolerance, trade, floor, room. Without --wall every wall found is
    done. Results stay as long as file and settings are the same; --overwrite begins anew.

    Example: flatscan site scans --limit 3mm --capture-type scanner --out site-sheets
    """
    from flatscan import report
    from flatscan.site import run
    from flatscan.site.left_open import read_answers

    with _folder(source, given) as folder, _watched(quiet=given["quiet"]) as watch:
        asked = by_plan.asked(source, given, folder, by_plan.by_hand())
        answers = read_answers(folder)
        captures = _captures(Path(source), folder, asked, answers)
        if given["keep"]:
            asked.write(asked.plan)
        result = run(
            captures,
            folder,
            lambda: _pool(given),
            site=Path(source).absolute().stem,
            units=given["units"],
            afresh=given["overwrite"],
            shared_scratch=given["cluster"] is None,
            watch=watch,
            answers=answers,
        )
    if given["as_json"]:
        kept = given["out"] is not None
        hand_over(report.text(result.document | {"files": [path.name for path in result.files if kept]}))
    else:
        _report(result, given)
    return running.FAILED if result.document["failed"] else 0


@contextmanager
def _folder(source: str, given: dict[str, Any]) -> Iterator[Path]:
    """Where results go; with --json and no --out nothing is kept."""
    if given["out"] is None and given["as_json"]:
        with tempfile.TemporaryDirectory(prefix="flatscan-site-") as folder:
            yield Path(folder)
        return
    yield Path(given["out"] or f"{Path(source).absolute().stem}-flatscan")


def _captures(source: Path, folder: Path, asked: by_plan.Asked, answers: tuple[Answer, ...]) -> list[Capture]:
    """The captures with their settings: those of the command, of a list's row, and the answers given since."""
    from flatscan.core.errors import ReadError
    from flatscan.site.job import Row, in_folder, in_list

    if not source.exists():
        raise ReadError(
            source,
            "no such folder or list",
            needed="a folder of captures, or a CSV list of them",
            remedy="Check the name",
        )
    given = asked.given
    names = {option.name for option in _row_command.params} | asked.plan.options.keys()
    base = {name: value for name, value in given.items() if name in names}
    if base["tolerance"] and "rule" not in asked.hand:
        # an entry has lengths of its own: a rule beside it in the plan says nothing of it
        base["rule"] = None
    chosen = asked.plan.wall is not None
    outside = {"units": given["units"], "formats": _formats(given["formats"])}

    def settings_of(row: Row) -> Settings:
        return _row_settings(row, base, chosen=chosen, plan=asked.used, **outside)

    if source.is_dir():
        refusing.one_wall_only(("", ""), given)
        every = in_folder(source, _settings(base, chosen=chosen, for_all=True, plan=asked.used, **outside), folder)
        outside |= {"for_all": True}
        return [_answered(one, Row(0, one.name, one.listed), answers, folder, settings_of) for one in every]

    rows = list[Row]()

    def kept_row(row: Row) -> Settings:
        rows.append(row)
        return settings_of(row)

    captures, doubts = in_list(source, kept_row)
    for doubt in () if given["quiet"] else doubts:
        tell(note("run.noted-of", file=source.name, note=doubt), given["units"])
    return [_answered(one, row, answers, folder, settings_of) for one, row in zip(captures, rows, strict=True)]


def _answered(
    capture: Capture, row: Row, answers: tuple[Answer, ...], folder: Path, settings_of: Callable[[Row], Settings]
) -> Capture:
    """The capture with what was answered about it since; raises `BadTable` with the line of an answer that is none."""
    from flatscan.core.errors import BadTable, FlatscanError
    from flatscan.site.left_open import ANSWERS, answers_to, options_of

    own = answers_to(capture, answers)
    if not own:
        return capture
    try:
        settings = settings_of(replace(row, options=f"{row.options} {options_of(own)}"))
    except FlatscanError as wrong:
        raise wrong.inside(BadTable, "{list}, line {line}", list=str(folder / ANSWERS), line=own[0].line) from wrong
    return replace(capture, settings=settings)


@click.command("options", context_settings={"help_option_names": []})
@_job_options
def _row_command(**given: Any) -> dict[str, Any]:
    """The options column of a list."""
    return given


def _row_settings(row: Row, base: dict[str, Any], *, chosen: bool, plan: PlanUsed, **outside: Any) -> Settings:
    """Settings of one row: the command's own, and what the row says instead."""
    from flatscan.core.errors import BadTable

    try:
        ctx = _row_command.make_context("options", shlex.split(row.options), default_map=dict(base))
    except (click.UsageError, ValueError) as wrong:
        words = wrong.format_message() if isinstance(wrong, click.UsageError) else str(wrong)
        raise BadTable(
            "options",
            words.rstrip("."),
            needed="options as on the command line, such as --wall 2 --least 6mm",
            remedy="Correct the row",
        ) from wrong
    given, own = base | ctx.params, click.core.ParameterSource.COMMANDLINE
    own_words = {name: given[name] for name in ctx.params if ctx.get_parameter_source(name) == own}
    plan = replace(plan, said=plan.said.changed_by(own_words))
    if row.tolerance:
        given["tolerance"] = tuple(row.tolerance.split())
    # what a row judges by stands instead of what was said for the whole site
    if row.tolerance or ctx.get_parameter_source("tolerance") == own:
        given |= {name: None for name in running.LIMITS if ctx.get_parameter_source(name) != own}
    elif any(ctx.get_parameter_source(name) == own for name in running.LIMITS):
        given["tolerance"] = ()
    chosen = chosen or ctx.get_parameter_source("wall") == own or any(given.get(name) for name in _ONE_WALL)
    return _settings(given, chosen=chosen, plan=plan, **outside)


def _settings(given: dict[str, Any], *, chosen: bool, **others: Any) -> Settings:
    from flatscan import jobs
    from flatscan.plan.rates import load_rates
    from flatscan.plan.systems import load as load_system
    from flatscan.site.job import Settings

    given = dict(given)
    names = ("rule", *running.LIMITS, "tolerance", "method", "accept_source", "confidence")
    test = jobs.Requirement.by(
        directions=options.degrees(given.pop("directions")), **{name: given.pop(name) for name in names}
    )
    refusing.not_same_wall(given, "site")
    how = running.capturing(given)
    finish = running.finishing(given)
    # a wrong name or file is said before any capture is read
    if finish.system is not None:
        load_system(finish.system)
    if finish.rates is not None:
        load_rates(finish.rates)
    return Settings(how, test, finish, how.wall if chosen else None, **others)


def _formats(text: str | None) -> tuple[str, ...]:
    from flatscan.report import FORMATS

    asked = FORMATS if text is None else tuple(part.strip() for part in text.split(","))
    unknown = sorted(set(asked) - set(FORMATS))
    if unknown:
        hint = f"'{unknown[0]}' is none of {', '.join(FORMATS)}"
        raise click.BadParameter(hint, param_hint="--formats")
    return tuple(name for name in FORMATS if name in {*asked, "json"})


def _pool(given: dict[str, Any]) -> Pool:
    if given["cluster"]:
        from flatscan.site.pools import ClusterPool

        return ClusterPool(given["cluster"])
    from flatscan.capture.registry import free_memory
    from flatscan.site.pools import Limits, LocalPool, default_jobs

    jobs, free = given["jobs"] or default_jobs(), free_memory()
    share = None if free is None else free // jobs
    memory = share if given["memory_limit"] is None else int(given["memory_limit"] * 1e9)
    return LocalPool(jobs, Limits(memory, given["time_limit"]))


@contextmanager
def _watched(*, quiet: bool) -> Iterator[Watch]:
    from flatscan.site.run import unwatched

    if quiet:
        yield unwatched
        return
    shown = SiteProgress()
    try:
        yield shown
    finally:
        shown.close()


def _report(result: Run, given: dict[str, Any]) -> None:
    from flatscan.report.site_report import site_lines

    units = given["units"]
    if given["quiet"]:
        return
    for line in site_lines(result.summary, units, every=given["more"]):
        words(line)
    files = tuple(map(str, result.files))
    kept = note("run.summary-kept", files=files, kept=result.reused)
    tell(kept if result.reused else note("run.summary", files=files), units)


class SiteProgress:
    """Called after each task with how many are done and known, the share of the work, and the task's record."""

    def __init__(self) -> None:
        # a clock that nobody can set: time left stays right when the machine's date jumps
        self.started = time.monotonic()
        self.display: Any = None
        self.task: Any = None
        if sys.stderr.isatty():
            self._open()

    def __call__(self, done: int, known: int, share: float, record: dict[str, Any] | None) -> None:
        """Show one more task as done."""
        from flatscan.report.say import say

        what: Note | str = "" if record is None else _came_of(record)
        left = time_left(time.monotonic() - self.started, share)
        if self.display is None:
            tell(note("run.of-all", done=done, known=known, what=what, left=left))
            return
        self.display.update(
            self.task,
            completed=share,
            description=say(note("run.done-of", done=done, known=known, what=what, left=left)),
        )

    def close(self) -> None:
        """Take the bar away."""
        if self.display is not None:
            self.display.stop()

    def _open(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        from flatscan.report.say import say

        columns = (BarColumn(), TimeElapsedColumn(), TextColumn("{task.description}", markup=False))
        self.display = Progress(*columns, console=Console(file=sys.stderr), transient=True)
        self.display.start()
        self.task = self.display.add_task(say(note("run.nothing-yet")), total=1.0)


def _came_of(record: dict[str, Any]) -> Note:
    """What came of one task."""
    title = " ".join(str(record["title"]).split())
    if record["status"] != "done":
        return note("run.not-measured", title=title)
    if record["kind"] == "look":
        if record["rooms"]:
            return note("run.rooms-found", title=title, count=len(record["rooms"]))
        return note("run.walls-found", title=title, count=record["walls"])
    verdict = record["document"].get("verdict")
    return (
        note("run.decided", title=title, decision=verdict["decision"]) if verdict else note("run.surveyed", title=title)
    )


def time_left(elapsed: float, share: float) -> Note | str:
    """The time left when ``share`` of the work took ``elapsed`` seconds; nothing while nothing can be said.

    >>> [said and said.code for said in (time_left(60, 0.25), time_left(0.5, 0.5), time_left(9, 1.0))]
    ['run.minutes-left', 'run.under-a-minute', '']
    """
    if not 0 < share < 1:
        return ""
    left = elapsed * (1 - share) / share
    if left < 60:
        return note("run.under-a-minute")
    minutes = round(left / 60)
    return (
        note("run.minutes-left", minutes=minutes) if minutes < 90 else note("run.hours-left", left=hours(left / 3600))
    )

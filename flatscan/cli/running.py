"""What every command does around its work: captures one by one, progress, sheets, standard output, exit code."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from flatscan.cli.progress import progress_bar
from flatscan.cli.speaking import hand_over, notes, sheets_in, tell, trouble, words
from flatscan.core.notes import Note, note

if TYPE_CHECKING:
    from flatscan.cli.by_plan import Asked
    from flatscan.jobs import Capturing, Finishing, Progress, Requirement, Result
    from flatscan.report import Photo

WITHIN, OUTSIDE, UNDECIDED, FAILED = 0, 3, 4, 1


def capturing(options: dict[str, Any]) -> Capturing:
    """How to read a capture, out of the options of `cli.options.capture_options` (taken out of the dict)."""
    from flatscan.jobs.by_options import capturing_by

    return capturing_by(options)


def finishing(options: dict[str, Any]) -> Finishing:
    """What to plan, out of the options of `cli.options.finish_options` (taken out of the dict)."""
    from flatscan.jobs.by_options import finishing_by

    return finishing_by(options)


LIMITS = ("limit", "plumb_limit", "step_limit", "corner_limit")


def judging(said: dict[str, Any], hand: frozenset[str]) -> Requirement:
    """The test by limits or published tolerances, out of the options and of which of them were given by ``hand``.

    An entry has lengths of its own: a rule that stands beside it in the plan says nothing of it.
    """
    from flatscan.cli.options import degrees
    from flatscan.jobs import Requirement

    names = ("rule", *LIMITS, "tolerance", "method", "accept_source", "hand", "confidence")
    given = {name: said[name] for name in names if said.get(name) is not None}
    if said["tolerance"] and "rule" not in hand:
        given.pop("rule", None)
    return Requirement.by(directions=degrees(said["directions"]), **given)


def asked_each(captures: tuple[str, ...], given: dict[str, Any]) -> list[Asked]:
    """What every capture is asked for, by its job's plan and by hand; captures of one wall are asked as one."""
    from flatscan.cli.by_plan import asked, by_hand

    hand = by_hand()
    whole: Sequence[Any] = (captures,) if given.get("same_wall") else captures
    first = captures[: len(whole)]
    homes, own = _homes(first, given), _homes(first, {"out": None})
    return [asked(capture, given, home, hand, job) for capture, home, job in zip(whole, homes, own, strict=True)]


def run_each(
    captures: tuple[str, ...],
    output: dict[str, Any],
    work: Callable[[Any, Asked, Progress], Result | tuple[Result, ...]],
    jobs: list[Asked] | None = None,
) -> list[Result | None]:
    """The result of every capture, printed and written as asked; None where one failed, after its message on stderr.

    ``work`` gets the capture, what it is asked for by the plan of its job and by hand, and whom to tell of progress.
    Captures of the same wall have one result, in the first one's folder, and ``work`` gets all of them. Work that
    gives several walls of a capture has a folder for each of them. ``jobs`` is what is asked for where that is known.
    A single capture's failure is raised instead, so that it ends the command with its own exit code.
    """
    from flatscan import report
    from flatscan.core.errors import FlatscanError

    results: list[Result | None] = []
    documents: list[dict[str, object]] = []
    jobs = asked_each(captures, output) if jobs is None else jobs
    for job, folder in zip(jobs, _folders(captures[: len(jobs)], output), strict=True):
        try:
            with progress_bar(quiet=output["quiet"]) as progress:
                found = work(job.capture, job, progress)
                several = tuple(job.of(one) for one in (found if isinstance(found, tuple) else (found,)))
                places = _wall_folders(folder, several)
                _warn_early(several, output)
                progress(note("stage.sheets"), None)
                files = [_write(one, place, output) for one, place in zip(several, places, strict=True)]
                job.keep(several)
        except FlatscanError as wrong:
            if len(jobs) == 1:
                raise
            trouble(wrong, click.get_current_context().obj)
            results.append(None)
            continue
        for one, place, written in zip(several, places, files, strict=True):
            results.append(one)
            documents.append(report.document(one, written))
            _report(one, place, written, output)
    if output["as_json"]:
        hand_over(report.text(documents[0] if len(jobs) == len(documents) == 1 else documents))
    return results


def _warn_early(several: tuple[Result, ...], output: dict[str, Any]) -> None:
    """Say beside a document that a capture cannot show its limit kept: in words that leads the answer itself."""
    from flatscan.jobs import verdict_in

    if not output["as_json"]:
        return
    for found in several:
        verdict = verdict_in(found)
        for criterion in verdict.criteria if verdict and not output["quiet"] else ():
            for reason in criterion.reasons[:1]:
                if isinstance(reason, Note) and reason.code == "verdict.cannot-show":
                    tell(note("run.warned", name=criterion.name, reason=reason), output["units"])


def _wall_folders(folder: Path | None, several: tuple[Result, ...]) -> list[Path | None]:
    """The capture's own folder for one wall, one in it for each of several."""
    if folder is None or len(several) == 1:
        return [folder] * len(several)
    return [folder / f"wall-{found.wall.name}" for found in several]


def _folders(captures: tuple[str, ...], output: dict[str, Any]) -> list[Path | None]:
    """Where each capture's sheets go: into its job's folder, nowhere with --json alone."""
    if output["out"] is None and output["as_json"]:
        return [None] * len(captures)
    return [*_homes(captures, output)]


def home(capture: str, out: str | None) -> Path:
    """The folder of one capture's job."""
    return _homes((capture,), {"out": out if out is None or Path(out).suffix != ".zip" else None})[0]


def _homes(captures: tuple[str, ...], output: dict[str, Any]) -> list[Path]:
    """The folder of each capture's job: --out itself for one, a folder in it for each of several."""
    from flatscan.report.job_folder import folder_of

    names: list[str] = []
    for capture in captures:
        name = folder_of(capture).name
        names.append(name if name not in names else f"{Path(capture).stem}-{len(names) + 1}-flatscan")
    if output["out"] is None:
        return [Path(name) for name in names]
    return [Path(output["out"])] if len(captures) == 1 else [Path(output["out"]) / name for name in names]


def _write(found: Result, folder: Path | None, output: dict[str, Any]) -> tuple[str, ...]:
    from flatscan import report

    if folder is None:
        return ()

    formats = (*report.USUAL, *output.get("also", ()), *(("explain",) if output.get("explain") else ()))
    written = report.write(
        found,
        folder,
        overwrite=output["overwrite"],
        units=output["units"],
        formats=formats,
        paper=output.get("paper", "a4"),
        photo=overlay(output),
    )
    return tuple(path.name for path in written)


def overlay(output: dict[str, Any]) -> Photo | None:
    """The photo to lay the contour over, None without one; raises `BadValue` for a photo with nothing known in it."""
    from flatscan import report
    from flatscan.core.errors import BadValue

    if output.get("overlay_photo") is None:
        return None
    corners, targets = output["photo_corners"] or (), output["photo_target"]
    if not corners and (not targets or output["target_size"] is None):
        raise BadValue(
            "{set:overlay_photo}",
            "no corners and no targets of a known size",
            needed="{set:photo_corners}, or {set:photo_target} with {set:target_size}",
            remedy="Pick the wall's four corners in the photo, in pixels",
        )
    places = {number: (x, y) for number, x, y in targets}
    return report.Photo(Path(output["overlay_photo"]), corners, places, output["target_size"])


def _report(found: Result, folder: Path | None, files: tuple[str, ...], output: dict[str, Any]) -> None:
    """The answer in words unless JSON was asked for, what else changes the work, then the sheets; all on stderr.

    With ``--more`` all of the answer, and everything that is to be minded; with ``--quiet`` none of it.
    """
    from flatscan import report

    if output["quiet"]:
        return
    units, more, made = output["units"], bool(output.get("more")), report.report_of(found)
    if not output["as_json"]:
        text = report.summary(made, units, notes=False, first=True) if more else report.first_screen(made, units)
        words(text.rstrip("\n"))
        if output.get("explain"):
            words(report.explain(found, units))
    notes(made.beside(shown=not output["as_json"], more=more), units)
    if folder is not None and (more or not made.first):
        sheets_in(folder, files, units)
    elif folder is not None:
        tell(note("first.more-in", file=str(folder / _to_open(files))), units)


def _to_open(files: tuple[str, ...]) -> str:
    """The file that answers on paper: the day's sheet, else any to print, else the document."""
    printed = [name for name in files if name.endswith(".pdf")]
    order = [name for name in printed if Path(name).stem.endswith("day")] + printed
    return (order or [files[-1]])[0]


def exit_code(results: Sequence[Result | None], *, judged: bool) -> int:
    """Any failure 1, else any criterion outside 3, else any not within 4, else 0.

    Without judging 0, but 1 where the plan cannot be built, and 4 where what is planned hangs on readings in doubt or
    something has to be asked before two surveys are compared.
    """
    from flatscan.jobs import Change, SetOut, Survey, verdict_in
    from flatscan.jobs.doubts import hangs_on_readings

    if any(found is None for found in results):
        return FAILED
    if not judged:
        plans = [found for found in results if isinstance(found, (Survey, SetOut))]
        if any(found.plan.cannot is not None for found in plans):
            return FAILED
        asked = any(isinstance(found, Change) and found.questions for found in results)
        return UNDECIDED if asked or any(hangs_on_readings(found) for found in plans) else 0

    verdicts = [None if found is None else verdict_in(found) for found in results]
    decisions = ["undecided" if verdict is None else verdict.decision for verdict in verdicts]
    if "outside" in decisions:
        return OUTSIDE
    return WITHIN if all(decision == "within" for decision in decisions) else UNDECIDED


def list_walls(captures: tuple[str, ...], how: Capturing, output: dict[str, Any]) -> int:
    """Print the walls of each capture with how they were read, and draw them from above and as seen from the room."""
    from flatscan import jobs, report

    documents = []
    several = [captures] if how.same_wall else list(captures)
    for capture, folder in zip(several, _folders(captures[: len(several)], output), strict=True):
        with progress_bar(quiet=output["quiet"]) as progress:
            found = jobs.list_readings(capture, how, progress)
        files: tuple[str, ...] = ()
        if folder is not None and isinstance(found, jobs.Listed):
            files = tuple(
                path.name
                for path in report.write_pictures(found, folder, output["units"], overwrite=output["overwrite"])
            )
        documents.append(report.wall_list(found, files))
        if not output["as_json"]:
            name = capture if isinstance(capture, str) else " + ".join(capture)
            words(report.wall_list_text(name, found, output["units"]), quiet=output["quiet"])
        if folder is not None and files and not output["quiet"]:
            sheets_in(folder, files, output["units"])
    if output["as_json"]:
        hand_over(report.text(documents[0] if len(documents) == 1 else documents))
    return 0

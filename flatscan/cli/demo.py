"""``flatscan demo``: the main job on the bundled samples."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import nullcontext, redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Any

import click

from flatscan.cli import options, running
from flatscan.cli.speaking import hand_over, tell, words
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres

GRID, WALL = "laser_grid.csv", "wall.ply"


@click.command("demo")
@options.output_options
def demo(**given: Any) -> int:
    """The main job on the samples that come with it: laser readings and a scan before quoting, and the scan checked.

    Example: flatscan demo --out demo-sheets
    """
    from flatscan import report
    from flatscan.core.errors import FlatscanError
    from flatscan.core.phrase import command_line

    folder = samples()
    output = given | {"out": str(Path(given["out"] or "flatscan-demo"))}
    documents = []
    for name, title, part, work in _jobs():
        tell(note("run.demo-part", title=title, name=name), given["units"], quiet=given["quiet"])
        into = output | {"out": str(Path(output["out"]) / part) if given["out"] or not given["as_json"] else None}
        try:
            with redirect_stdout(StringIO()) if given["as_json"] else nullcontext() as said:
                running.run_each((str(folder / name),), into, work)
            documents += [json.loads(said.getvalue())] if said is not None else []
        except FlatscanError as trouble:
            words(f"flatscan: {trouble.text(command_line(given['units']))}")
            return 1
    if given["as_json"]:
        hand_over(report.text(documents))
    return 0


def samples() -> Path:
    """The folder of bundled captures: inside an installed package, beside it in a checkout."""
    import flatscan
    from flatscan.core.errors import ReadError

    package = Path(flatscan.__file__).parent
    for folder in (package / "sample_clouds", package.parent / "sample_clouds"):
        if (folder / GRID).exists():
            return folder
    raise ReadError(
        package,
        "no sample_clouds beside the package",
        needed="the bundled samples",
        remedy="Install flatscan again, or run the demo from a checkout",
    )


def _jobs() -> list[tuple[str, Note, str, Callable[..., Any]]]:
    """Sample, title, folder and work of each part."""
    from flatscan import jobs

    scanned = jobs.Capturing(capture_type="scanner")
    test = jobs.Requirement.by(rule=1.8, limit=0.003)
    judged = note("run.demo-check", limit=metres(test.limit), rule=metres(test.rule))

    def quote(path: str, _: object, progress: jobs.Progress) -> jobs.Result:
        how = scanned if path.endswith(WALL) else jobs.Capturing()
        return jobs.survey(path, how, test, jobs.Finishing(), progress)

    def prove(path: str, _: object, progress: jobs.Progress) -> jobs.Result:
        return jobs.check(path, scanned, test, progress)

    return [
        (GRID, note("run.demo-laser"), "laser-grid-survey", quote),
        (WALL, note("run.demo-scan"), "scan-survey", quote),
        (WALL, judged, "scan-check", prove),
    ]

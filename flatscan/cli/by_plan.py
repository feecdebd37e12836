"""The plan that a run works by: what the job's plan says, with what was given by hand for this run in front of it."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from flatscan.jobs import Result
    from flatscan.jobs.job_plan import JobPlan, PlanUsed

_BY_HAND = frozenset({click.core.ParameterSource.COMMANDLINE, click.core.ParameterSource.ENVIRONMENT})
# options that a plan holds as another kind of thing: whether captures are one wall, and which they are
_OTHERWISE = frozenset({"same_wall"})
# options that name files
_FILES = ("rates", "tie", "repeat", "same_wall")


@dataclass(frozen=True)
class Asked:
    """What one capture is asked for: options by name, and the plan they follow from, with where it stands or would.

    ``capture`` are all of its files where they are one wall. ``hand`` are names of options that somebody gave.
    """

    capture: Any
    given: dict[str, Any]
    plan: JobPlan
    path: Path
    found: bool
    hand: frozenset[str]

    @property
    def used(self) -> PlanUsed:
        """The plan with the name of its file."""
        from flatscan.jobs.job_plan import PlanUsed

        return PlanUsed(self.plan, self.path.name if self.found else "")

    def of(self, result: Result) -> Result:
        """A result as part of the job; raises `OutputError` where the plan in the job's folder is another capture's."""
        from flatscan.jobs.belonging import in_job
        from flatscan.report.job_folder import Subject, belongs

        if self.found and not self.given.get("plan"):
            belongs(self.path.parent, Subject.of(result), overwrite=bool(self.given.get("overwrite")))
        return in_job(result, self.used)

    def keep(self, results: Sequence[Result]) -> None:
        """Write the plan back where that was asked for; a hump that is cut is kept by its place."""
        if not self.given.get("keep"):
            return
        from flatscan.report.job_folder import Subject, claim

        if not self.given.get("plan"):
            claim(self.path.parent, Subject.of(results[0]), overwrite=bool(self.given.get("overwrite")))
        # a hump's number is that of the plan without cuts: its place stays when it is gone
        self.write(replace(self.plan, cut=results[0].job.cut) if len(results) == 1 else self.plan)

    def write(self, plan: JobPlan) -> None:
        """Write a plan into the file of the one that was asked for, or that would be; its folder is made."""
        from flatscan.report.placing import write_file
        from flatscan.report.plan_text import plan_text

        before = self.path.read_text(encoding="utf-8") if self.found else ""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        write_file(self.path, plan_text(plan, before, self.path).encode(), overwrite=True)


def _names(value: Any) -> tuple[str, ...]:
    return (value,) if isinstance(value, str) else tuple(value or ())


def by_hand() -> frozenset[str]:
    """Names of the options of the running command that somebody gave for this run."""
    ctx = click.get_current_context()
    return frozenset(name for name in ctx.params if ctx.get_parameter_source(name) in _BY_HAND)


def asked(capture: Any, given: dict[str, Any], folder: Path, hand: frozenset[str], own: Path | None = None) -> Asked:
    """Options for a capture: those given by ``hand``, else the plan's, else the usual ones; ``given`` stays as it is.

    The plan is the file of --plan, else plan.toml in ``folder``, where the sheets go, else that in ``own``, the job's
    folder, where they would go without --out. Raises `ReadError` for a plan that was
    named and is not there, and what `load_plan` does; with --keep also for a file that the plan could not name.
    """
    from flatscan.core.beside import near
    from flatscan.jobs.job_plan import JobPlan
    from flatscan.jobs.plan_file import NAME, load_plan
    from flatscan.report.staging import settle

    path = Path(given["plan"]) if given.get("plan") else folder / NAME
    if own is not None and not given.get("plan") and not path.is_file() and (own / NAME).is_file():
        path = own / NAME
    # a run that was killed while it put its sheets there is undone before anything of the folder is read
    settle(folder)
    found = bool(given.get("plan")) or path.is_file()
    chosen = {name: given[name] for name in hand if name in given and name not in _OTHERWISE}
    if not isinstance(capture, str):
        chosen["same_wall"] = tuple(str(one) for one in capture[1:])
    plan = (load_plan(path) if found else JobPlan()).changed_by(chosen)
    merged = given | {name: value for name, value in plan.options.items() if name not in _OTHERWISE}
    if plan.same_wall:
        capture = (capture if isinstance(capture, str) else capture[0], *plan.same_wall)
        merged["same_wall"] = True
    if given.get("keep"):
        # before the work: a plan that named what lies elsewhere could not be read again
        for name in _FILES:
            for one in _names(plan.options.get(name)):
                near(path, os.path.relpath(one, path.parent))
    return Asked(capture, merged, plan, path, found, hand)

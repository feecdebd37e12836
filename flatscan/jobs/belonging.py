"""A result as part of its job: the plan it was made by, with every hump to be cut in its place, whatever was asked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from flatscan.core.errors import FlatscanError
from flatscan.core.notes import note
from flatscan.jobs.changed import said_by_plan
from flatscan.jobs.job_plan import JobPlan, PlanUsed
from flatscan.jobs.results import Change, Kind, Looked, Seen, SetOut, Setting, Survey
from flatscan.jobs.settings import Finishing, Requirement
from flatscan.jobs.surveying import cut_first
from flatscan.plan.cutting import Cut

# what of a plan a hump's place and depth hang on, by the names that `Finishing.by` has for it
_PLACED_BY = ("least", "most", "fix", "fix_reading", "parallel_to", "square_to", "cut", "finish", "strip", "laser")
_SLOPES = ("lean_up_to", "turn_up_to")


def in_job(found: Kind, used: PlanUsed) -> Kind:
    """A result as part of a job: its plan, and among its settings the plan's file and all that the plan says.

    Humps named by number are given their places. What is surveyed or set out has them already; a later capture may
    not show them any more, which is said.
    """
    said = (Setting("plan", used.file, None),) if used.file else ()
    plan, notes = used.said, found.notes
    if isinstance(found, (Survey, SetOut)):
        plan = plan.with_cuts(found.plan.cuts)
    elif named := tuple(one for one in plan.cut if isinstance(one, str)):
        try:
            plan = plan.with_cuts(_placed(found, plan))
        except FlatscanError:
            notes = (*notes, note("jobs.cut-not-here", names=named))
    settings = (*said, *found.settings)
    more = said_by_plan(plan, settings, found.usual_stage)
    # a scan has no words for its wall, its plan has; a table's own are older than those
    seen = replace(found.seen, title=plan.job.wall) if plan.job.wall else found.seen
    return replace(found, seen=seen, job=plan, notes=notes, settings=(*settings, *more))


def _placed(found: Looked, plan: JobPlan) -> Sequence[Cut]:
    """The cuts of a plan as a survey of the same capture has them; of a comparison, of the earlier one."""
    seen: Seen = found.earlier if isinstance(found, Change) else found.seen
    given = {name: value for name, value in plan.options.items() if name in _PLACED_BY}
    given |= {name: plan.options[name] / 1000 for name in _SLOPES if name in plan.options}
    return cut_first(seen, Requirement.by(rule=plan.rule), Finishing.by(system=plan.system, **given))

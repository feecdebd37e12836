"""The plan that a question from outside amounts to, hung on its answer."""

from __future__ import annotations

from typing import Any

from flatscan.core.typed import in_metres
from flatscan.jobs import Capturing, Finishing
from flatscan.jobs.belonging import in_job
from flatscan.jobs.job_plan import PlanUsed, plan_by
from flatscan.jobs.results import Kind
from flatscan.jobs.settings import Length


def asked_by(found: Kind, plan: Finishing | None, how: Capturing | None = None, **asked: Any) -> Kind:
    """A result with the plan that it was asked by, as the command line has it of its options."""
    lengths = {name: metres_of(name, asked[name]) for name in ("rule", "limit") if asked.get(name) is not None}
    return in_job(found, PlanUsed(plan_by(how or found.seen.how, plan, **asked | lengths)))


def metres_of(setting: str, length: Length | None) -> float | None:
    """Metres of a length where one was given; raises as `in_metres` does."""
    return None if length is None else in_metres(length, setting)

"""The plan of the job a result belongs to: its fingerprint and what it says is going to be done to the wall."""

from __future__ import annotations

from flatscan.core.model import Opening
from flatscan.core.notes import Unknown
from flatscan.core.quantity import Quantity, metres
from flatscan.jobs import Looked, SetOut, Survey
from flatscan.plan.cutting import Cut
from flatscan.report.parts import Section

_DOTS = Unknown("unknown.dots")


def job_section(looked: Looked) -> Section:
    """The plan as the document has it: cuts by place, openings and pockets as they count on the wall."""
    job, effective = looked.job, looked.job.effective
    cuts = looked.plan.cuts if isinstance(looked, (Survey, SetOut)) else ()
    asked = cuts or tuple(one for one in job.cut if isinstance(one, Cut))
    values: dict[str, object] = {
        "fingerprint": job.fingerprint,
        "stage": looked.stage,
        "system": effective.system,
        "finish_mm": metres(effective.finish or 0.0),
        "strip_mm": _DOTS if job.strip is None else metres(job.strip),
        "cut": [_cut(one) for one in asked],
        "openings": [_rectangle(one) for one in looked.wall.openings],
        "pockets": [_rectangle(one) for one in looked.wall.pockets],
    }
    return Section("plan", values=values)


def _cut(one: Cut) -> dict[str, Quantity]:
    """A cut as a kept plan has it, to 0.01 mm, so that every document of a job says the same."""
    return {"x_mm": metres(one.x), "y_mm": metres(one.y), "cut_mm": metres(round(one.depth, 5))}


def _rectangle(hole: Opening) -> dict[str, Quantity]:
    return {
        "left_mm": metres(hole.left),
        "bottom_mm": metres(hole.bottom),
        "width_mm": metres(hole.width),
        "height_mm": metres(hole.height),
    }

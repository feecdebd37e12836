"""The plan of the job a result belongs to: what is going to be done to the wall, and whose record it is."""

from __future__ import annotations

from collections.abc import Mapping

from flatscan.core.model import Opening
from flatscan.core.notes import Note, Unknown, note
from flatscan.core.quantity import Quantity, degrees, metres
from flatscan.jobs import Looked, SetOut, Survey
from flatscan.jobs.results import Stood
from flatscan.plan.cutting import Cut
from flatscan.report.parts import Fact, Section
from flatscan.report.say import Said

_DOTS = Unknown("unknown.dots")
NOT_STATED = note("job.not-stated")


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


# whose record it is, and how it was measured: what ISO/IEC 17025, 7.8, asks of a report (from memory), in its order
WHOSE = (
    *("report", "number", "version", "issued", "client", "project", "wall", "drawing", "contract", "clause", "stage"),
    *("captured", "place", "conditions", "people", "instrument", "serial", "calibrated", "distance", "incidence"),
    "deviations",
)


def record_section(looked: Looked) -> Section:
    """Whose record it is and how it was measured, as the plan says; what the file itself tells fills what it does not.

    A field that nobody stated says so.
    """
    stated = {name: str(getattr(looked.job.job, name, "")) for name in WHOSE}
    found: dict[str, Said] = {name: text or NOT_STATED for name, text in stated.items()}
    found["stage"] = looked.stage if looked.job.stage is not None else NOT_STATED
    if not stated["captured"]:
        at = looked.origin.captured
        found["captured"] = note("job.by-the-file", said=at) if at else note("job.not-known")
    stood = looked.seen.stood
    if stood is not None:
        found |= {name: said for name, said in _stood(stood).items() if not stated[name]}
    values = {name: found[name] for name in WHOSE if found[name] != NOT_STATED}
    return Section("record", values, facts=_facts(found))


def _facts(said: Mapping[str, Said]) -> tuple[Fact, ...]:
    return (
        Fact("job-report", said["report"]),
        Fact("job-number", said["number"]),
        Fact("job-version", said["version"]),
        Fact("job-issued", said["issued"]),
        Fact("job-client", said["client"]),
        Fact("job-project", said["project"]),
        Fact("job-wall", said["wall"]),
        Fact("job-drawing", said["drawing"]),
        Fact("job-contract", said["contract"]),
        Fact("job-clause", said["clause"]),
        Fact("job-stage", said["stage"]),
        Fact("job-captured", said["captured"]),
        Fact("job-place", said["place"]),
        Fact("job-conditions", said["conditions"]),
        Fact("job-people", said["people"]),
        Fact("job-instrument", said["instrument"]),
        Fact("job-serial", said["serial"]),
        Fact("job-calibrated", said["calibrated"]),
        Fact("job-distance", said["distance"]),
        Fact("job-incidence", said["incidence"]),
        Fact("job-deviations", said["deviations"]),
    )


def _stood(stood: Stood) -> dict[str, Note]:
    """Distance and incidence of the scanners, from their positions in the file."""
    near, far = metres(stood.nearest), metres(stood.farthest)
    away = note("job.away", near=near) if stood.count == 1 else note("job.away-several", near=near, far=far)
    return {
        "distance": note("job.by-the-file", said=away),
        "incidence": note("job.by-the-file", said=note("job.askew", askew=degrees(stood.askew))),
    }

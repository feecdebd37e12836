"""Plans of laser readings as words, as JSON and as a form to fill in."""

from __future__ import annotations

from collections.abc import Iterator

from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, metres
from flatscan.jobs.lasers import PlannedReadings
from flatscan.plan.stops import LASER_WORK
from flatscan.relief.planning import DECIDED, ReadingPlan
from flatscan.report.result_document import SCHEMA, plain_values
from flatscan.report.say import Said, say

_DECIDES = {"yes": "readings.yes", "partly": "readings.partly", "no": "readings.no"}


def reading_plans(planned: PlannedReadings, limit: float) -> dict[str, object]:
    """The plans as a document; lengths in millimetres."""
    return plain_values(
        {
            "schema": SCHEMA,
            "command": "plan-readings",
            "file": planned.file,
            "rule_mm": planned.rule,
            "limit_mm": limit,
            "u_reading_mm": planned.reading_u,
            "warp_mm": planned.warp[0],
            "warp_length_mm": planned.warp[1],
            "readings_done": len(planned.done),
            "cautions": LASER_WORK,
            "warnings": planned.notes,
            "plans": [_plan(plan, limit) for plan in planned.plans],
        }
    )


def _plan(plan: ReadingPlan, limit: float) -> dict[str, object]:
    return {
        "readings": len(plan.places),
        "u_gap_mm": plan.u_worst,
        "u_gap_middle_mm": plan.u_middle,
        "least_limit_mm": plan.least_limit,
        "decides": plan.decides(limit),
        "places": [{"x_mm": x, "y_mm": y} for x, y in _places(plan)],
    }


def reading_plan_text(planned: PlannedReadings, limit: float, units: str = "mm") -> str:
    """The plans in words: cautions, what each number of readings brings, and the places of the last one."""
    return "\n".join(say(line, units) for line in _lines(planned, limit))


def _lines(planned: PlannedReadings, limit: float) -> Iterator[Said]:
    warp, length = planned.warp
    yield from LASER_WORK
    yield ""
    yield note(
        "readings.taken-as",
        warp=metres(warp),
        length=metres(length),
        rule=metres(planned.rule),
        reading=metres(planned.reading_u),
        done=len(planned.done),
    )
    yield ""
    for plan in planned.plans:
        yield _brings(plan)
    last = planned.plans[-1]
    yield ""
    part = Quantity(1 / DECIDED, None, "1")
    yield note(_DECIDES[last.decides(limit)], None, readings=len(last.places), limit=metres(limit), part=part)
    if len(last.places):
        yield ""
        yield note("readings.in-this-order")
        for number, at in enumerate(_places(last), start=1):
            yield note("readings.read-at", at, number=number)


def _brings(plan: ReadingPlan) -> Note:
    return note(
        "readings.brings",
        readings=len(plan.places),
        worst=metres(plan.u_worst),
        middle=metres(plan.u_middle),
        limit=metres(plan.least_limit),
    )


def _places(plan: ReadingPlan) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in plan.places)


def reading_form(planned: PlannedReadings) -> bytes:
    """The last plan as a table of stations with the readings left blank, in the layout in which ties are read."""
    wall = planned.wall
    lines = [
        *(f'note, "{say(said)}"' for said in (*LASER_WORK, note("readings.write-behind"))),
        "units, mm",
        "sense, big = hollow",
        f"width, {wall.width:.3f} m",
        f"height, {wall.height:.3f} m",
        "wall, ",
        "date, ",
        "who, ",
        "",
        "x, y, reading",
        *(f"{x:.3f}, {y:.3f}, " for x, y in _places(planned.plans[-1])),
    ]
    return ("\n".join(lines) + "\n").encode("utf-8")

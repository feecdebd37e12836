"""Laser work in words, as JSON and as a form: lines measured on photos, and plans of readings."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from flatscan.capture.line_budget import Budget
from flatscan.capture.measured_lines import MeasuredLine
from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, metres
from flatscan.core.units import to_mm
from flatscan.jobs import Lines
from flatscan.jobs.lasers import PlannedReadings
from flatscan.plan.stops import LASER_WORK
from flatscan.relief.planning import DECIDED, ReadingPlan
from flatscan.report.result_document import SCHEMA, plain_values
from flatscan.report.say import Said, say
from flatscan.report.tables import record
from flatscan.straightedge.gaps import Gap

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


def line_record(lines: Lines) -> dict[str, object]:
    """The lines as a document, with the largest gap along each under the straightedge; in millimetres."""
    surveyed, gaps, rule = lines.surveyed, lines.gaps, lines.rule
    return {
        "schema": 1,
        "command": "line",
        "file": surveyed.setup.file.name,
        "wall": surveyed.setup.name,
        "cautions": [say(caution) for caution in LASER_WORK],
        "rule_mm": record({"rule_mm": rule})["rule_mm"],
        "lines": [_one(line, budget, gap) for (line, budget), gap in zip(surveyed.lines, gaps, strict=True)],
    }


def _one(line: MeasuredLine, budget: Budget, gap: Gap | None) -> dict[str, object]:
    made = record(
        {
            "picture": line.name,
            "gap_mm": gap and gap.value,
            "u_gap_mm": gap and gap.u,
            "x_mm": gap and gap.at[0],
            "y_mm": gap and gap.at[1],
            "u_mm": budget.u,
            "u_random_mm": budget.u_random,
            "u_common_mm": budget.u_common,
            "sensitivity": line.sensitivity,
            "range_mm": float(np.ptp(line.height)) if len(line.height) else None,
            "line_width_pixels": line.stripe.width,
            "pixel_mm": line.pixel,
            "targets_off_mm": line.view.off,
            "rows_dropped": line.stripe.dropped,
            "over_exposed_share": line.stripe.saturated,
        }
    )
    stations = zip(line.x, line.y, line.height, strict=True)
    parts = [record({"source": say(source), "u_mm": float(value)}) for source, value in budget.ranked()]
    return made | {
        "placed": line.placed,
        "budget": parts,
        "to_halve": [say(advice) for advice in budget.to_halve()],
        "notes": [say(note) for note in line.notes],
        "stations": [record({"x_mm": float(x), "y_mm": float(y), "height_mm": float(z)}) for x, y, z in stations],
    }


def line_text(found: Lines) -> str:
    """The lines in words: cautions, each line's range and ±, where the ± comes from and what halves it."""
    surveyed, gaps, rule = found.surveyed, found.gaps, found.rule
    lines = [*map(say, LASER_WORK), ""]
    for (line, budget), gap in zip(surveyed.lines, gaps, strict=True):
        lines.append(
            f"{line.name}: {len(line.height)} stations, {to_mm(float(np.ptp(line.height))):.1f} mm from the furthest "
            f"back to the furthest proud, ± {to_mm(budget.u):.2f} mm each (1 sd)."
        )
        if gap is not None and gap.u is not None:
            lines.append(
                f"  Largest gap {to_mm(gap.value):.1f} mm ± {to_mm(2 * gap.u):.1f} mm (2 sd) under a straightedge of "
                f"{to_mm(rule):.0f} mm along it, {to_mm(gap.at[0]):.0f} mm from the left, {to_mm(gap.at[1]):.0f} mm up."
            )
        else:
            lines.append(f"  No straightedge of {to_mm(rule):.0f} mm rests on three stations of it.")
        lines.append(f"  A hump of 1 mm moves the line by {line.sensitivity:.1f} mm on the wall.")
        lines += [f"  {to_mm(float(value)):6.2f} mm  {say(source)}" for source, value in budget.ranked() if value > 0]
        lines += ["  To halve the ±:", *(f"  - {say(advice)}" for advice in budget.to_halve())]
        lines += [f"  Mind: {say(note)}" for note in line.notes]
        lines.append("")
    lines.append(
        "Record of measurement along the lines photographed; the wall between them was not examined. For sheets give "
        "the set-up file to flatscan survey or flatscan check."
    )
    return "\n".join(lines)

"""Laser work in words, as JSON and as a form: lines measured on photos, and plans of readings."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from flatscan.capture.grid_head import head_lines
from flatscan.capture.lines.line_budget import Budget
from flatscan.capture.lines.measured_lines import MeasuredLine
from flatscan.core.notes import Note, note
from flatscan.core.phrase import Manner
from flatscan.core.quantity import Quantity, metres
from flatscan.core.units import feet_and_inches
from flatscan.jobs import Lines
from flatscan.jobs.actions import laser_cautions
from flatscan.jobs.lasers import PlannedReadings
from flatscan.relief.planning import DECIDED, ReadingPlan
from flatscan.relief.warps import CHORD
from flatscan.report.parts import Section
from flatscan.report.result_document import SCHEMA, cautioned, plain_values
from flatscan.report.say import Said, say
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
            "warp_mm": planned.warp,
            "warp_length_least_mm": planned.lengths[0],
            "warp_length_most_mm": planned.lengths[1],
            "readings_done": len(planned.done),
            "cautions": cautioned(laser_cautions()),
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
    yield from laser_cautions()
    yield ""
    yield note(
        "readings.taken-as",
        warp=metres(planned.warp),
        over=metres(CHORD),
        low=metres(planned.lengths[0]),
        high=metres(planned.lengths[1]),
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


def reading_form(planned: PlannedReadings, units: str = "mm") -> bytes:
    """The last plan as a table of stations with the readings left blank, in the layout in which ties are read.

    In inches its places are feet and inches, and so are the readings that are typed into it.
    """
    wall, inches = planned.wall, units == "in"
    at = feet_and_inches if inches else "{:.3f}".format
    size = feet_and_inches if inches else "{:g} m".format
    before: tuple[Said, ...] = (*laser_cautions(), note("readings.write-behind"))
    lines = [
        *(f'note, "{say(said)}"' for said in before),
        *head_lines(wall.width, wall.height, ("wall, ", "date, ", "who, "), unit=units, written=size),
        *(f"{at(x)}, {at(y)}, " for x, y in _places(planned.plans[-1])),
    ]
    return ("\n".join(lines) + "\n").encode("utf-8")


def line_sections(found: Lines) -> tuple[Section, ...]:
    """A section a line: what the document holds of it, and the same quantities in sentences."""
    surveyed = found.surveyed
    return tuple(
        _line(line, budget, gap, found.rule) for (line, budget), gap in zip(surveyed.lines, found.gaps, strict=True)
    )


def _line(line: MeasuredLine, budget: Budget, gap: Gap | None, rule: float) -> Section:
    values: dict[str, object] = {
        "picture": line.name,
        "gap_mm": gap and metres(gap.value, gap.u),
        "u_gap_mm": gap and gap.u,
        "x_mm": gap and gap.at[0],
        "y_mm": gap and gap.at[1],
        "u_mm": metres(budget.u),
        "u_random_mm": budget.u_random,
        "u_common_mm": budget.u_common,
        "sensitivity": Quantity(line.sensitivity, None, "1"),
        "range_mm": metres(float(np.ptp(line.height))) if len(line.height) else None,
        "channel": line.stripe.channel,
        "line_width_pixels": line.stripe.width,
        "pixel_mm": line.pixel,
        "targets_off_mm": line.view.off,
        "rows_dropped": line.stripe.dropped,
        "over_exposed_share": line.stripe.saturated,
        "placed": line.placed,
        "budget": tuple({"source": source, "u_mm": metres(float(value))} for source, value in budget.ranked()),
        "to_halve": budget.to_halve(),
        "notes": line.notes,
        "stations": tuple(
            {"x_mm": x, "y_mm": y, "height_mm": z} for x, y, z in zip(line.x, line.y, line.height, strict=True)
        ),
    }
    shares = tuple(note("line-record.share", source=row["source"], u=row["u_mm"]) for row in _shown(values["budget"]))
    remarks = (*shares, note("line-record.halve"), *(note("line-record.advice", what=a) for a in budget.to_halve()))
    doubts = tuple(note("line-record.mind", what=doubt) for doubt in line.notes)
    return Section("lines", values, headline=_found_on(line, values, gap, rule), remarks=(*remarks, *doubts))


def _shown(parts: Any) -> Iterator[dict[str, Any]]:
    return (part for part in parts if part["u_mm"].value > 0)


def _found_on(line: MeasuredLine, values: Mapping[str, Any], gap: Gap | None, rule: float) -> tuple[Said, ...]:
    stations, straightedge = len(line.height), metres(rule)
    first = note("line-record.nothing", picture=line.name)
    if values["range_mm"] is not None:
        spread = {"range": values["range_mm"], "u": values["u_mm"]}
        first = note("line-record.range", picture=line.name, stations=stations, **spread)
    second = note("line-record.no-gap", rule=straightedge)
    if gap is not None and gap.u is not None:
        second = note("line-record.gap", gap.at, gap=values["gap_mm"], rule=straightedge)
    return first, second, note("line-record.sensitivity", factor=values["sensitivity"])


def line_record(found: Lines) -> dict[str, object]:
    """The lines as a document, with the largest gap along each under the straightedge; in millimetres."""
    return plain_values(
        {
            "schema": SCHEMA,
            "command": "line",
            "file": found.surveyed.setup.file.name,
            "wall": found.surveyed.setup.name,
            "cautions": cautioned(laser_cautions()),
            "rule_mm": found.rule,
            "lines": tuple(section.values for section in line_sections(found)),
        }
    )


def line_text(found: Lines, units: str | Manner = "mm") -> str:
    """The lines in words: cautions, each line's range and ±, where the ± comes from and what halves it."""
    lines: list[Said] = [*laser_cautions(), ""]
    for section in line_sections(found):
        lines += [*section.headline, *section.remarks, ""]
    return "\n".join(say(line, units) for line in (*lines, note("line-record.record")))

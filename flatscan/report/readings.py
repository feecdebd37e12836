"""Plans of laser readings as words, as JSON and as a form to fill in."""

from __future__ import annotations

import numpy as np

from flatscan.core.units import to_mm
from flatscan.jobs.readings import PlannedReadings
from flatscan.plan.stops import LASER_WORK
from flatscan.relief import Tie
from flatscan.relief.planning import DECIDED, ReadingPlan
from flatscan.report.numbers import record
from flatscan.report.say import say, spoken

_SAID = {"yes": "can be decided", "partly": "can be decided on walls far from it", "no": "cannot be decided"}


def tie_record(tie: Tie) -> dict[str, object]:
    """What tying a scan down showed, as part of a result document; lengths in millimetres."""
    head = record(
        {
            "file": tie.file,
            "sha256": tie.sha256 or None,
            "readings": len(tie.u),
            "warp_mm": tie.sd,
            "warp_stated_mm": tie.stated_sd,
            "warp_length_mm": tie.length,
            "taken_out_least_mm": tie.least,
            "taken_out_most_mm": tie.most,
            "lean_taken_out_mm_per_m": tie.lean,
            "left_out_rms_mm": float(np.sqrt(np.mean(tie.left_out**2))),
            "left_out_over_expected": tie.rms_left_out,
        }
    )
    columns = zip(*tie.places.T, tie.left_out, tie.u_left_out, strict=True)
    names = ("x_mm", "y_mm", "left_out_mm", "u_mm")
    rows = [record(dict(zip(names, map(float, row), strict=True))) for row in columns]
    return head | {"disagree": list(tie.disagree), "left_out": rows}


def reading_plans(planned: PlannedReadings, limit: float) -> dict[str, object]:
    """The plans as a document; lengths in millimetres."""
    planned = spoken(planned)
    head = record(
        {
            "schema": 1,
            "command": "plan-readings",
            "file": planned.file,
            "rule_mm": planned.rule,
            "limit_mm": limit,
            "u_reading_mm": planned.reading_u,
            "warp_mm": planned.warp[0],
            "warp_length_mm": planned.warp[1],
            "readings_done": len(planned.done),
        }
    )
    return head | {
        "cautions": [say(caution) for caution in LASER_WORK],
        "warnings": list(planned.notes),
        "plans": [_plan(plan, limit) for plan in planned.plans],
    }


def _plan(plan: ReadingPlan, limit: float) -> dict[str, object]:
    head = record(
        {
            "readings": len(plan.places),
            "u_gap_mm": plan.u_worst,
            "u_gap_middle_mm": plan.u_middle,
            "least_limit_mm": plan.least_limit,
        }
    )
    places = [record({"x_mm": float(x), "y_mm": float(y)}) for x, y in plan.places]
    return head | {"decides": plan.decides(limit), "places": places}


def reading_plan_text(planned: PlannedReadings, limit: float) -> str:
    """The plans in words: cautions, what each number of readings brings, and the places of the last one."""
    planned = spoken(planned)
    warp, length = planned.warp
    lines = [*map(say, LASER_WORK), ""]
    lines.append(
        f"Warp of the scan taken as {to_mm(warp):.1f} mm over {length:g} m; straightedge {to_mm(planned.rule):.0f} mm; "
        f"readings to {to_mm(planned.reading_u):.1f} mm (1 sd); {len(planned.done)} read already."
    )
    lines += ["", "further readings   ± of the worst gap (1 sd)   of the middle one   a limit of about"]
    lines += [
        f"{len(plan.places):16d}   {to_mm(plan.u_worst):20.2f} mm   {to_mm(plan.u_middle):14.2f} mm   "
        f"{to_mm(plan.least_limit):12.1f} mm"
        for plan in planned.plans
    ]
    last = planned.plans[-1]
    lines += [
        "", f"With {len(last.places)} a limit of {to_mm(limit):g} mm {_SAID[last.decides(limit)]} "
        f"(the worst ± should be at most {_ORDINAL} of it).",
    ]  # fmt: skip
    if len(last.places):
        lines += ["", "Read in this order, x from the left edge, height from the lowest edge:"]
        lines += [f"{n:3d}   x {to_mm(x):6.0f} mm   height {to_mm(y):6.0f} mm" for n, (x, y) in _numbered(last)]
    return "\n".join(lines)


_ORDINAL = {8.0: "an eighth"}[DECIDED]


def _numbered(plan: ReadingPlan) -> list[tuple[int, tuple[float, float]]]:
    return [(n, (float(x), float(y))) for n, (x, y) in enumerate(plan.places, start=1)]


def reading_form(planned: PlannedReadings) -> bytes:
    """The last plan as a table of stations with the readings left blank, in the layout that --tie reads."""
    wall = planned.wall
    lines = [
        *(f'note, "{say(caution)}"' for caution in LASER_WORK),
        'note, "Write each reading (laser plane to wall) behind its place. Read the first place again last and write '
        'both in a line of its own: control, first, last"',
        "units, mm",
        "sense, big = hollow",
        f"width, {wall.width:.3f} m",
        f"height, {wall.height:.3f} m",
        "wall, ",
        "date, ",
        "who, ",
        "",
        "x, y, reading",
        *(f"{x:.3f}, {y:.3f}, " for _, (x, y) in _numbered(planned.plans[-1])),
    ]
    return ("\n".join(lines) + "\n").encode("utf-8")

"""Lines measured on photos, as words and as JSON."""

from __future__ import annotations

import numpy as np

from flatscan.capture.line_budget import Budget
from flatscan.capture.measured_lines import MeasuredLine
from flatscan.core.units import to_mm
from flatscan.jobs import Lines
from flatscan.plan.stops import LASER_WORK
from flatscan.report.numbers import record
from flatscan.report.say import say
from flatscan.straightedge.gaps import Gap


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

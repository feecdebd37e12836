"""The result document: the JSON contract, key by key."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

from flatscan.jobs import Result
from flatscan.report import change_tables, facts, more_tables, reasons, tables, words
from flatscan.report.numbers import record
from flatscan.report.readings import tie_record
from flatscan.report.say import spoken
from flatscan.report.view import Findings, findings_of

SCHEMA = 1
# what has to stand in a command's document even when nothing came of it
_REQUIRED = {
    "survey": ("flatness", "material", "hacking"),
    "check": ("flatness", "verdict"),
    "setout": ("setout",),
    "lows": ("lows",),
    "compare": ("compare",),
}
_LISTS = ("hacking", "lows")


def document(result: Result | Findings, files: Sequence[str] = ()) -> dict[str, object]:
    """The result document of one wall: plain dicts, lists, numbers rounded to 0.001, None for what is not known.

    ``files`` are the names of the sheets written beside it. Every null has its word in ``capture.warnings``.
    """
    findings = spoken(findings_of(result))
    made: dict[str, object] = {"schema": SCHEMA, "command": findings.command, "capture": _capture(findings)}
    made |= {"wall": _wall(findings), "plumb": _plumb(findings), "shape": _shape(findings)}
    made["patches"] = tables.patches(findings).records()
    sections: Mapping[str, object] = {
        "flatness": _flatness(findings),
        "verdict": _verdict(findings),
        "material": _material(findings),
        "hacking": None if findings.hacks is None else tables.hacking(findings).records(),
        "setout": _set_out(findings),
        "lows": None if findings.lows is None else tables.lows(findings).records(),
        "ridges": None if findings.lows is None else tables.ridges(findings).records(),
        "compare": change_tables.section(findings),
    }
    required = _REQUIRED.get(findings.command, ())
    for name, section in sections.items():
        if section is not None:
            made[name] = section
        elif name in required:
            made[name] = [] if name in _LISTS else None
    made |= more_tables.sections(findings)
    capture = made["capture"]
    assert isinstance(capture, dict)
    capture["warnings"] = [*dict.fromkeys(_warnings(findings)), *reasons.words(made)]
    made["files"] = list(files)
    return made


def _warnings(findings: Findings) -> tuple[object, ...]:
    gaps, built = findings.gaps, findings.build_up
    return (
        *findings.origin.warnings,
        *findings.warnings,
        *(() if gaps is None else gaps.notes),
        *(() if built is None else built.notes),
    )


def text(made: object) -> str:
    """A document, or a list of them, as the text of result.json: the same input gives the same bytes."""
    return json.dumps(made, ensure_ascii=False, allow_nan=False, indent=2) + "\n"


def _capture(findings: Findings) -> dict[str, object]:
    origin = findings.origin
    words = {
        "file": origin.file,
        "sha256": origin.sha256 or None,
        "reader": origin.reader,
        "file_unit": origin.file_unit,
    }
    rest = {
        "points": origin.points,
        "type": findings.capture_type,
        "u_point_mm": findings.u_point,
        "u_common_mm": facts.quoted_common(findings.relief),
    }
    tied = {} if findings.tie is None else {"tie": tie_record(findings.tie)}
    return record(words | rest) | {"warnings": []} | tied


def _wall(findings: Findings) -> dict[str, object]:
    wall, relief = findings.wall, findings.relief
    made = record(
        {
            "number": wall.number,
            "up_from": wall.up_from,
            "facing_from": wall.facing_from,
            "width_mm": wall.width,
            "height_mm": wall.height,
            "area_m2": relief.net_area,
            "gross_area_m2": wall.gross_area,
            "covered_share": relief.covered_share,
            "cell_mm": relief.grain,
        }
    )
    return made | {"title": findings.title, "openings": tables.openings(findings).records()}


def _plumb(findings: Findings) -> dict[str, object]:
    shape, plumb = findings.shape, findings.wall.plumb
    return record(
        {
            "lean_mm_per_m": shape.lean,
            "lean_mm": shape.lean_height,
            "u_lean_mm_per_m": plumb.u_lean,
            "known_from": plumb.known_from,
        }
    )


def _shape(findings: Findings) -> dict[str, object]:
    shape = findings.shape
    return record(
        {
            "belly_along_mm": shape.belly_along,
            "belly_up_mm": shape.belly_up,
            "range_mm": shape.range,
            "rms_mm": shape.rms,
        }
    )


def _flatness(findings: Findings) -> dict[str, object] | None:
    gaps = findings.gaps
    if gaps is None:
        return None
    worst, balanced, equal = gaps.worst, gaps.balanced, gaps.equal_offset
    made = record(
        {
            "rule_mm": gaps.rule,
            "method": findings.method,
            "gap_mm": worst and worst.value,
            "balanced_end_gap_mm": balanced and balanced.value,
            "equal_offset_mm": equal and abs(equal.value),
            "u_gap_mm": worst and worst.u,
            "x_mm": worst and worst.at[0],
            "y_mm": worst and worst.at[1],
            "upper_mm": gaps.upper,
        }
    )
    made["from"] = worst and record({"at_mm": worst.left})["at_mm"]
    made["to"] = worst and record({"at_mm": worst.right})["at_mm"]
    return made | record(
        {"positions": gaps.positions, "coverage": gaps.coverage, "directions_deg": tuple(gaps.directions)}
    )


def _verdict(findings: Findings) -> dict[str, object] | None:
    verdict = findings.verdict
    if verdict is None:
        return None
    limit = verdict.criteria[0].limit if verdict.criteria else None
    made = record(
        {
            "decision": verdict.decision,
            "limit_mm": limit,
            "tolerance": verdict.tolerance,
            "confidence": verdict.confidence,
        }
    )
    return made | {
        "reasons": list(verdict.reasons),
        "criteria": tables.criteria(findings).records(),
        "not_judged": list(verdict.not_judged),
        "check_by_hand": tables.check_by_hand(findings).records(),
    }


def _material(findings: Findings) -> dict[str, object] | None:
    built, order = findings.build_up, findings.take_off
    if built is None:
        return None
    plane = {
        "lean_mm_per_m": built.plane.lean,
        "turn_mm_per_m": built.plane.turn,
        "at_left_foot_mm": built.plane.at_left_foot,
    }
    made = record(
        {
            "system": order and order.system,
            "least_mm": built.least,
            "mean_mm": built.mean,
            "most_mm": built.most,
            "volume_l": built.volume.value,
            "u_volume_l": built.volume.u,
        }
    )
    made |= {"plane": record(plane), "coats": tables.coats(findings).records()}
    made |= record(
        {
            "bags": order and order.bags,
            "waste_share": order and order.waste_share,
            "days": order and order.days,
            "price": order and order.price,
        }
    )
    made["bags_range"] = None if order is None or order.bags_range is None else record({"b": order.bags_range})["b"]
    return made | {"stops": list(order.stops) if order else [], "notes": list(words.order_notes(findings))}


def _set_out(findings: Findings) -> dict[str, object] | None:
    if findings.set_out is None:
        return None
    screeds = [
        record({"x_mm": screed.x})
        | {"dots": [record({"y_mm": d.y, "packing_mm": d.packing, "u_packing_mm": d.u}) for d in screed.dots]}
        for screed in findings.set_out.screeds
    ]
    return record({"rule_mm": findings.set_out.rule}) | {"screeds": screeds, "notes": list(findings.set_out.notes)}

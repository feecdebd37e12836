"""Single facts in words, name and value, for paper and page."""

from __future__ import annotations

import numpy as np

from flatscan.core.model import Relief
from flatscan.core.units import slope_text
from flatscan.report import words
from flatscan.report.say import say
from flatscan.report.view import Findings

Facts = list[tuple[str, str]]
METHODS = {
    "resting": "straightedge resting on the wall's high points, gap read between the contacts; every place, every way",
    "equal offsets": "straightedge held off on two equal blocks at its ends, deviation from the blocks' height",
    "balanced end gap": "straightedge balanced on the hump under it, both end gaps made equal",
    "chord": "largest offset between two high points at their distance",
}
# TOLERANCES, What the methods hide
HIDES = {
    "resting": "A straightedge resting between its contacts reads 0 on a smooth outward bow; the balanced end gap "
    "beside it shows that bow.",
    "equal offsets": "A limit of ± T on equal blocks allows up to 2 T under a resting straightedge.",
    "chord": "The limit follows the distance between the contacts, not the straightedge's length.",
}


def wall(findings: Findings, units: str) -> Facts:
    """Size, areas, openings, which way is up, and how it stands."""
    it, relief, shape = findings.wall, findings.relief, findings.shape
    u_lean = words.criterion_u(findings, "plumb")
    known_from = say(it.plumb.known_from or "nothing in the capture", units)
    found = [
        ("Size", f"{words.length(it.width, units)} wide, {words.length(it.height, units)} high"),
        ("Area", f"{words.area(relief.net_area, units)} net, {words.area(it.gross_area, units)} gross"),
        ("Measured", f"{relief.covered_share * 100:.1f} % of the net area; {_grain(findings, units)}"),
        ("Up from", say(it.up_from, units)),
        ("Room side from", it.facing_from),
        (
            "Lean",
            f"top {words.signed(shape.lean_height, units)} {words.spread(u_lean, units)} over the height "
            f"({slope_text(shape.lean, units)}); plumb known from: {known_from}",
        ),
    ]
    bellies = [("along", shape.belly_along), ("up", shape.belly_up)]
    told = [f"{words.signed(value, units)} {way}" for way, value in bellies if value is not None]
    return [*found, ("Belly", "; ".join(told) or "not known"), ("Highest to lowest", _span(findings, units))]


def _grain(findings: Findings, units: str) -> str:
    cell = findings.relief.grain
    return "stations, nothing between them" if cell is None else f"cells of {words.length(cell, units)}"


def _span(findings: Findings, units: str) -> str:
    shape = findings.shape
    span, rms = (words.length(value, units, decimals=1) for value in (shape.range, shape.rms))
    return f"{span} off the best-fit plane, rms {rms}"


def quoted_common(relief: Relief) -> float:
    """The common error as it is quoted: on the middle of a 2 m chord, the median over the wall."""
    some = [np.unique(np.linspace(0, len(at) - 1, 5).astype(int)) for at in (relief.x, relief.y)]
    return float(np.median(relief.common.largest_u_gap(relief.x[some[0]], relief.y[some[1]], 2.0)))


def capture(findings: Findings, units: str) -> Facts:
    """File, hash, reader, unit, points, declared type, uncertainties, settings that differ from their defaults."""
    origin = findings.origin
    common = findings.relief.common
    found = [
        ("File", origin.file),
        ("SHA-256", origin.sha256 or "none"),
        ("Read as", f"{origin.reader}, {origin.points} points or readings, in {origin.file_unit}"),
        ("Capture type", f"{findings.capture_type} (as declared or assumed)"),
        ("u of one point", words.length(findings.u_point, units, decimals=2)),
        ("u they share", f"{words.length(quoted_common(findings.relief), units, decimals=2)} ({common.source})"),
    ]
    return [*found, *((f"Setting {name}", value) for name, value in findings.settings)]


def build_up(findings: Findings, units: str) -> Facts:
    """The finish plane and what stands between it and the wall."""
    built = findings.build_up
    if built is None:
        return []
    plane = built.plane
    return [
        ("Finish plane", plane.rule),
        ("Lean, turn", f"{slope_text(plane.lean, units)} lean, {slope_text(plane.turn, units)} turn"),
        ("At the left foot", f"{words.length(plane.at_left_foot, units, decimals=1)} toward the room"),
        ("Least", words.length(built.least, units, decimals=1)),
        ("Mean", words.length(built.mean, units, decimals=1)),
        ("Most", words.length(built.most, units, decimals=1)),
        ("Volume", f"{words.volume(built.volume.value, built.volume.u, units)} before waste"),
    ]


def order(findings: Findings, units: str) -> Facts:
    """Weight, bags, waste, days and price of the material."""
    it = findings.take_off
    if it is None:
        return []
    found = [("System", it.system)]
    if it.weight is not None and it.weight_worst is not None:
        found.append(
            ("Weight added", f"{words.mass(it.weight, units)}, {words.load(it.weight_worst, units)} at its worst")
        )
    if it.bags is not None:
        span = "" if it.bags_range is None else f"{it.bags_range[0]:.1f} to {it.bags_range[1]:.1f} wanted; "
        found.append(("Bags", f"{span}order {it.bags}, {it.waste_share * 100:.0f} % waste in it"))
    found.append(("Days", "not known" if it.days is None else f"about {it.days:.1f}"))
    found.append(("Price", "no rates were given" if it.price is None else f"{it.price:.2f}"))
    return found


def test(findings: Findings, units: str) -> Facts:
    """The straightedge test: length, method, largest gap with its ±, positions and coverage."""
    gaps = findings.gaps
    if gaps is None:
        return []
    shown = gaps.judged()
    found = [
        ("Straightedge", words.length(gaps.rule, units)),
        ("Method", METHODS.get(findings.method, findings.method)),
        ("Limit from", _limit_from(findings)),
        ("Largest", "could not be measured" if shown is None else words.quantity(abs(shown.value), shown.u, units)),
    ]
    if shown is not None:
        found.append(("Where", words.place(shown.at, units)))
    if gaps.balanced is not None and findings.method == "resting":
        found.append(("Balanced end gap", words.length(abs(gaps.balanced.value), units, decimals=1)))
    covered = "not known" if gaps.coverage is None else f"{gaps.coverage * 100:.1f} % of them on measured wall"
    found.append(("Positions", f"{gaps.positions} in {len(gaps.directions)} directions; {covered}"))
    hides = HIDES.get(findings.method)
    return [*found, *([("Mind", hides)] if hides else [])]


def _limit_from(findings: Findings) -> str:
    entry = findings.tolerance
    if entry is None:
        return "as entered by hand"
    tag = (
        "value from memory: numbers only, no decision"
        if entry.checked == "from memory"
        else f"checked: {entry.checked}"
    )
    return f"{entry.document} {entry.edition} {entry.clause}, {entry.applies_to} ({tag}; {entry.source})"


def excess(findings: Findings, units: str) -> Facts:
    """How far over the limit the wall is, in length and per cent, and on how much of it."""
    judged = () if findings.verdict is None else findings.verdict.criteria
    flat = next((c for c in judged if c.name == "flatness"), None)
    if flat is None or flat.value is None:
        return []
    over = flat.value - flat.limit
    u = words.criterion_u(findings, "flatness")
    if over <= 0:
        return [("Excess", f"none at the best estimate ({words.quantity(flat.value, u, units)})")]
    found = [("Excess", f"{words.quantity(over, u, units)}, {over / flat.limit * 100:.0f} % of the limit")]
    gaps = findings.gaps
    if gaps is not None and findings.relief.known_between:
        deep = np.where(findings.relief.valid & np.isfinite(gaps.deepest), gaps.deepest, 0.0)
        area = float(findings.relief.area[deep > flat.limit].sum())
        found.append(
            ("Area over it", f"{words.area(area, units)} where a resting straightedge stands off more than the limit")
        )
    return found

"""Rows of what changed between two surveys: the document's compare section and its tables."""

from __future__ import annotations

import numpy as np

from flatscan.compare import Difference, Place
from flatscan.report.numbers import record
from flatscan.report.say import say
from flatscan.report.tables import Column, Table
from flatscan.report.view import Comparison, Findings

_AT = (Column("x_mm", "from left"), Column("y_mm", "up"))


def section(findings: Findings) -> dict[str, object] | None:
    """The ``compare`` section of the result document; None where nothing was compared."""
    made = findings.compared
    if made is None:
        return None
    change = made.change
    origin = made.earlier
    earlier = {"file": origin.file, "sha256": origin.sha256 or None, "type": made.earlier_type}
    totals = record(
        {
            "mean_mm": change.mean and change.mean.value,
            "volume_l": change.volume and change.volume.value,
            "least_mm": change.least and change.least.value,
            "changed_share": change.changed_share,
            "u_mm": change.mean and change.mean.u,
            "u_volume_l": change.volume and change.volume.u,
            "u_least_mm": change.least and change.least.u,
            "least_x_mm": change.least_at and change.least_at[0],
            "least_y_mm": change.least_at and change.least_at[1],
            "detection_limit_mm": typical_limit(change),
            "added_l": change.added,
            "removed_l": change.removed,
            "compared_share": change.compared_share,
        }
    )
    tie = record({"u_place_mm": change.alignment.u_place})
    tie |= {"tied_by": change.alignment.how, "not_determined": list(change.alignment.undetermined)}
    return {"earlier": earlier, **totals, **tie, "places": places(findings).records(), **_more(made)}


def _more(made: Comparison) -> dict[str, object]:
    """What was asked for beside the change itself."""
    more: dict[str, object] = {}
    if made.under is not None:
        more |= record(
            {"cover_mm": made.least, "under_cover_m2": made.under[0], "surely_under_cover_m2": made.under[1]}
        )
        more["thin"] = thin(made).records()
    more |= record(
        {name: value for name, value in (("quoted_l", made.quoted), ("used_l", made.used)) if value is not None}
    )
    if made.following is not None:
        more["follows"] = record({"share": made.following.share, "slope": made.following.slope})
    if made.agreement is not None:
        a = made.agreement
        more["agreement"] = record(
            {"differing_share": a.share, "k": a.factor, "lean_mm_per_m": a.lean.value, "u_lean_mm_per_m": a.lean.u,
             "correlation": a.correlation}
        ) | {"agree": a.agree, "lean_agrees": a.lean_agrees}  # fmt: skip
    more |= {} if made.background is None else {"background": _background(made)}
    return more | ({} if made.variation is None else {"variation": _variation(made)})


def _background(made: Comparison) -> dict[str, object]:
    found = made.background
    assert found is not None
    gaps, verdict = found.check.gaps, found.check.verdict
    worst = None if gaps is None else gaps.judged()
    numbers = record(
        {
            "rule_mm": gaps and gaps.rule,
            "limit_mm": found.limit,
            "gap_mm": worst and abs(worst.value),
            "u_gap_mm": worst and worst.u,
            "excess_mm": found.excess,
            "excess_share": found.excess and found.excess / found.limit,
            "area_over_m2": found.area,
        }
    )
    entry = found.check.tolerance
    return {"decision": verdict and verdict.decision, "tolerance": entry and entry.id} | numbers


def _variation(made: Comparison) -> dict[str, object]:
    v = made.variation
    assert v is not None
    plain = record(
        {
            "allowance_mm": v.allowance,
            "planned_over_l": v.planned.volume.value,
            "u_planned_over_l": v.planned.volume.u,
            "planned_area_m2": v.planned.area,
            "applied_over_l": v.applied and v.applied.volume.value,
            "u_applied_over_l": v.applied and v.applied.volume.u,
            "applied_area_m2": v.applied and v.applied.area,
            "extra_coats": v.passes[1] - v.passes[0],
            "extra_visits": _extra(v.visits),
            "extra_bags": _extra(v.bags),
            "price": v.amount,
        }
    )
    return plain | {"system": v.system, "currency": v.currency, "lines": lines(made).records()}


def _extra(pair: tuple[int | None, int | None]) -> int | None:
    return None if pair[0] is None or pair[1] is None else pair[1] - pair[0]


def typical_limit(change: Difference) -> float | None:
    """The detection limit at the middle place [m], None where nothing was compared."""
    limit = change.detection[np.isfinite(change.change)]
    return float(np.median(limit)) if limit.size else None


def _rows(found: tuple[Place, ...]) -> tuple[tuple[str | float, ...], ...]:
    return tuple((p.kind, p.x, p.y, p.value, p.u, p.width, p.height, p.area, p.volume) for p in found)


_COLUMNS = (
    Column("kind", "what"),
    *_AT,
    Column("change_mm", "by", 1),
    Column("u_mm", "u", 2),
    Column("width_mm", "width"),
    Column("height_mm", "height"),
    Column("area_m2", "area", 2),
    Column("volume_l", "volume", 1),
)


def places(findings: Findings) -> Table:
    """Connected changes beyond the detection limit, the largest volume first."""
    found = () if findings.compared is None else findings.compared.change.places
    return Table("changes", "What changed", _COLUMNS, _rows(found), "no change beyond the detection limit")


def thin(made: Comparison) -> Table:
    """Places under the least cover, the thinnest first."""
    return Table("thin", "Under the least cover", _COLUMNS, _rows(made.thin), "no place under the least cover")


def lines(made: Comparison) -> Table:
    """Lines of the quote at the measured thickness less those at the allowance."""
    found = () if made.variation is None else made.variation.lines
    columns = (
        Column("what", "what"),
        Column("quantity", "more by", 2),
        Column("unit", "unit"),
        Column("rate", "rate", 2),
        Column("amount", "amount", 2),
    )
    rows = tuple((say(line.what), line.quantity, line.unit, line.rate, line.amount) for line in found)
    return Table(
        "variation", "Lines of the quote that differ", columns, rows, "no rates were given: flatscan ships no prices"
    )


def beside(findings: Findings) -> tuple[Table, ...]:
    """The tables of a comparison that have rows, in reading order; none where nothing was compared."""
    made = findings.compared
    if made is None:
        return ()
    return tuple(table for table in (places(findings), thin(made), lines(made)) if table.rows)

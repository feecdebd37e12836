"""Rows and words of what changed between two surveys: the document's compare section, tables, sentences."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from flatscan.compare import Change, Place
from flatscan.sheets import words
from flatscan.sheets.numbers import record
from flatscan.sheets.tables import Column, Table
from flatscan.survey import Findings
from flatscan.survey.comparison import Comparison

_SHOWN = 3
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
            "detection_limit_mm": _typical_limit(change),
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
    gaps, verdict = found.findings.gaps, found.findings.verdict
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
    entry = found.findings.tolerance
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


def _typical_limit(change: Change) -> float | None:
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
    rows = tuple((line.what, line.quantity, line.unit, line.rate, line.amount) for line in found)
    return Table("variation", "Beyond the allowance", columns, rows, "no rates were given: flatscan ships no prices")


def sentences(findings: Findings, units: str) -> Iterator[str]:
    """The comparison in a few sentences for one screen."""
    made = findings.compared
    if made is None:
        return
    change = made.change
    yield f"Compared with {made.earlier.file}, tied by {change.alignment.how}."
    if change.mean is None:
        yield "Thickness applied: not known, since nothing fixes one survey against the other out of the wall's plane."
    elif made.agreement is None:
        yield from _thickness(made, units)
    limit = _typical_limit(change)
    yield (
        f"Changed beyond the detection limit (about {words.length(limit, units, decimals=1)}): "
        f"{change.changed_share * 100:.0f} % of the {words.area(change.compared_area, units)} compared."
    )
    for number, place in enumerate(change.places[:_SHOWN], 1):
        what = ("added" if place.value > 0 else "removed") if change.mean is not None else _shape_word(place)
        most = words.quantity(abs(place.value), place.u, units)
        at = words.place((place.x, place.y), units)
        yield f"  C{number}: {what} up to {most} at {at}, {words.area(place.area, units)}."
    yield from _asked(made, units)


def _shape_word(place: Place) -> str:
    return "prouder by" if place.value > 0 else "more hollow by"


def _thickness(made: Comparison, units: str) -> Iterator[str]:
    change = made.change
    assert change.mean is not None
    assert change.volume is not None
    assert change.least is not None
    yield (
        f"Thickness applied: mean {words.quantity(change.mean.value, change.mean.u, units)}, "
        f"{words.volume(change.volume.value, change.volume.u, units)} in place; least "
        f"{words.quantity(change.least.value, change.least.u, units)}"
        + (f" at {words.place(change.least_at, units)}." if change.least_at is not None else ".")
    )
    for said, value in (("quoted", made.quoted), ("used", made.used)):
        if value is not None:
            off = change.volume.value - value
            more = "more" if off >= 0 else "less"
            yield f"That is {words.volume(abs(off), 0.0, units)} {more} than {words.volume(value, 0.0, units)} {said}."


def _asked(made: Comparison, units: str) -> Iterator[str]:
    if made.under is not None:
        yield (
            f"Cover under {words.length(made.least, units, decimals=1)}: {words.area(made.under[0], units)} by the "
            f"best estimate, {words.area(made.under[1], units)} with 95 % confidence."
        )
    if made.agreement is not None:
        yield agreement_words(made, units)
    if made.background is not None:
        yield background_words(made, units)
    yield from variation_words(made, units)
    if made.following is not None and made.following.share is not None:
        yield following_words(made)


def agreement_words(made: Comparison, units: str) -> str:
    """Whether the two surveys agree, in one sentence."""
    a = made.agreement
    assert a is not None
    lean = {None: "the leans cannot be compared", True: "the leans agree", False: "the leans differ"}[a.lean_agrees]
    if a.agree:
        return (
            f"The two surveys agree within their joint ± everywhere compared; {lean}. That does not prove either right."
        )
    worst = max(a.differ, key=lambda place: abs(place.value), default=None)
    where = "" if worst is None else (
        f", most at {words.place((worst.x, worst.y), units)}: {words.quantity(abs(worst.value), worst.u, units)}"
    )  # fmt: skip
    return f"The two surveys differ beyond their joint ± on {a.share * 100:.1f} % of the area{where}; {lean}."


def background_words(made: Comparison, units: str) -> str:
    """The background against its own limit, in one sentence."""
    found = made.background
    assert found is not None
    gaps, verdict = found.findings.gaps, found.findings.verdict
    worst = None if gaps is None else gaps.judged()
    if worst is None or gaps is None or verdict is None:
        return "Background: could not be judged."
    entry = found.findings.tolerance
    by = "the limit entered by hand" if entry is None else f"{entry.document} {entry.edition}, {entry.clause}"
    over = ""
    if found.excess is not None and found.excess > 0:
        over = (
            f", {words.length(found.excess, units, decimals=1)} ({found.excess / found.limit * 100:.0f} %) over, with "
            f"{words.area(found.area, units)} over the limit"
        )
    flat = next((c.decision for c in verdict.criteria if c.name == "flatness"), verdict.decision)
    return (
        f"Background by {by}: flatness {words.DECISIONS.get(flat, flat)}; largest gap "
        f"{words.quantity(abs(worst.value), worst.u, units)} under {words.length(gaps.rule, units)}, limit "
        f"{words.length(found.limit, units, decimals=1)}{over}."
    )


def variation_words(made: Comparison, units: str) -> Iterator[str]:
    """What the wall takes beyond the allowance."""
    v = made.variation
    if v is None:
        return
    planned = words.volume(v.planned.volume.value, v.planned.volume.u, units)
    yield (
        f"Beyond {words.length(v.allowance, units)}: {planned} on {words.area(v.planned.area, units)} by the finish "
        "plane on the earlier survey."
    )
    if v.applied is not None:
        volume = words.volume(v.applied.volume.value, v.applied.volume.u, units)
        yield f"Measured in place beyond it: {volume} on {words.area(v.applied.area, units)}."
    visits = "" if None in v.visits else f", {v.visits[1]} visits against {v.visits[0]}"
    money = "" if v.amount is None else f", {v.amount:.2f} {v.currency} at the rates given".replace("  ", " ")
    yield f"Coats: {v.passes[1]} against {v.passes[0]} at the allowance ({v.system}){visits}{money}."


def following_words(made: Comparison) -> str:
    """How far the later surface follows the earlier, never a cause."""
    assert made.following is not None
    assert made.following.share is not None
    way = "" if (made.following.slope or 0.0) >= 0 else " (the other way round)"
    return (
        f"{made.following.share * 100:.0f} % of the later surface's unevenness runs with the earlier's{way}: a share "
        "by arithmetic, which names no cause."
    )

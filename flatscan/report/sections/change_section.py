"""What changed between two surveys: thickness applied, places, agreement, background, and what goes beyond a price."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from flatscan.compare import Difference, Place
from flatscan.core.notes import Note, Unknown, note
from flatscan.core.quantity import Quantity, cubic_metres, metres, share, slope, square_metres
from flatscan.jobs import Change, Seen
from flatscan.jobs.compared import Agreement
from flatscan.jobs.results import Background, Variation
from flatscan.report.limits import limit_of_criterion
from flatscan.report.parts import Fact, Section
from flatscan.report.say import Said
from flatscan.report.sections.extra_section import extra_hours, extra_of, extra_table
from flatscan.report.sections.gap_section import as_restricted, decided, with_others
from flatscan.report.sections.seen_section import ends
from flatscan.report.tables import AT, Column, Table

_SHOWN = 3
_UNTIED, _NO_PLUMB, _FLAT = Unknown("unknown.untied"), Unknown("unknown.u-plumb"), Unknown("unknown.flat")
_NO_VISITS = Unknown("unknown.no-visits")


def change_section(found: Change) -> Section:
    """The ``compare`` section: what changed, how the surveys were tied, and what was asked for beside it."""
    change, origin = found.difference, found.earlier.origin
    mean, least, volume = _tied(change.mean), _tied(change.least), _tied(change.volume, "m3")
    limit, compared = typical_limit(change), square_metres(change.compared_area)
    detection = Unknown("unknown.nothing-compared") if limit is None else metres(limit)
    changed = share(change.changed_share)
    values: dict[str, object] = {
        "earlier": {
            "file": origin.file,
            "sha256": origin.sha256 or Unknown("unknown.no-file"),
            "type": found.earlier.capture_type,
        },
        "mean_mm": mean,
        "volume_l": volume,
        "least_mm": least,
        "changed_share": changed,
        "u_mm": _u(mean),
        "u_volume_l": _u(volume),
        "u_least_mm": _u(least),
        "least_x_mm": _UNTIED if change.least_at is None else metres(change.least_at[0]),
        "least_y_mm": _UNTIED if change.least_at is None else metres(change.least_at[1]),
        "detection_limit_mm": detection,
        "added_l": _UNTIED if change.added is None else cubic_metres(change.added),
        "removed_l": _UNTIED if change.removed is None else cubic_metres(change.removed),
        "compared_share": share(change.compared_share),
        "u_place_mm": metres(change.alignment.u_place),
        "tied_by": change.alignment.how,
        "not_determined": tuple(change.alignment.undetermined),
        "places": places(found).rows_as_values(),
    }
    values |= _asked_values(found)
    said: list[Said] = [note("report.compared", file=origin.file, how=change.alignment.how)]
    thickness = list(_thickness(found, mean, volume, least))
    said += thickness
    beyond = note("report.changed", limit=_or_unknown(detection), changed=changed, compared=compared)
    asked = list(_asked_facts(found))
    said += [beyond, *_place_sentences(found), *(fact.text for fact in asked)]
    facts = [Fact("compared", said[0]), *(Fact("thickness", text) for text in thickness), Fact("changed", beyond)]
    facts += asked
    facts += [Fact("earlier", _survey(found.earlier)), Fact("later", _survey(found.seen))]
    tables = (places(found), thin(found), extra_table(found.variation), variation_table(found))
    return Section("compare", values, tuple(said), tuple(facts), tuple(table for table in tables if table.rows))


def _survey(seen: Seen) -> Note:
    """Which file a survey is, and how it was made."""
    sha256 = seen.origin.sha256 or note("report.none")
    return note("report.survey-file", file=seen.origin.file, type=seen.capture_type, sha256=sha256)


def _tied(value: Quantity | None, unit: str = "m") -> Quantity | Unknown:
    return _UNTIED if value is None else Quantity(value.value, value.u, unit)


def _u(value: Quantity | Unknown) -> Quantity | Unknown:
    if isinstance(value, Unknown) or value.u is None:
        return _UNTIED
    return Quantity(value.u, None, value.unit)


def _or_unknown(value: Quantity | Unknown) -> Note:
    return note("report.length-fine", length=value) if isinstance(value, Quantity) else note("report.unknown")


def typical_limit(change: Difference) -> float | None:
    """The detection limit at the middle place [m], None where nothing was compared."""
    limit = change.detection[np.isfinite(change.change)]
    return float(np.median(limit)) if limit.size else None


def _thickness(
    found: Change, mean: Quantity | Unknown, volume: Quantity | Unknown, least: Quantity | Unknown
) -> Iterator[Note]:
    """What was put on, where a tie lets it be known and nobody asked whether two parties agree."""
    if not (isinstance(mean, Quantity) and isinstance(volume, Quantity) and isinstance(least, Quantity)):
        yield note("report.thickness-untied")
        return
    if found.agreement is not None:
        return
    at = found.difference.least_at
    yield note("report.thickness" if at is None else "report.thickness-at", at, mean=mean, volume=volume, least=least)
    for code, value in (("report.quoted", found.quoted), ("report.used", found.used)):
        if value is not None:
            off = volume.value - value
            more = note("report.more") if off >= 0 else note("report.less")
            yield note(code, by=cubic_metres(abs(off)), more=more, volume=cubic_metres(value))


def _place_sentences(found: Change) -> Iterator[Note]:
    tied = found.difference.mean is not None
    for number, place in enumerate(found.difference.places[:_SHOWN], 1):
        code = (
            ("report.added" if place.value > 0 else "report.removed")
            if tied
            else ("report.prouder" if place.value > 0 else "report.hollower")
        )
        most, area = metres(abs(place.value), place.u), square_metres(place.area)
        yield note("report.change-at", (place.x, place.y), number=number, what=note(code), most=most, area=area)


def _asked_facts(found: Change) -> Iterator[Fact]:
    """What was asked beside the change itself."""
    if found.under is not None and found.least is not None:
        yield Fact("under-cover", note("report.under-cover", least=metres(found.least), under=found.under))
    if found.agreement is not None:
        yield Fact("two-parties", agreement_note(found.agreement))
    if found.background is not None:
        yield Fact("background", background_note(found.background))
    if found.variation is not None:
        yield from (Fact("beyond", text) for text in variation_notes(found.variation))
    if found.following.share is not None:
        yield Fact("follows", following_note(found))


def agreement_note(agreement: Agreement) -> Note:
    """Whether the two surveys agree, in one sentence."""
    if agreement.lean_agrees is None:
        lean = note("report.leans-unknown")
    else:
        lean = note("report.leans-agree") if agreement.lean_agrees else note("report.leans-differ")
    if agreement.agree:
        return note("report.agree", lean=lean)
    worst = max(agreement.differ, key=lambda place: abs(place.value), default=None)
    differing = share(agreement.share)
    if worst is None:
        return note("report.differ", share=differing, lean=lean)
    most = metres(abs(worst.value), worst.u)
    return note("report.differ-at", (worst.x, worst.y), share=differing, most=most, lean=lean)


def background_note(found: Background) -> Note:
    """The background against its own limit, in one sentence."""
    check = found.check
    worst = check.gaps.judged()
    if worst is None:
        return note("report.background-unjudged")
    judged = check.verdict.flatness
    flat = check.verdict.decision if judged is None else judged.decision
    over: Said = ""
    if found.excess is not None and found.excess.value > 0:
        part = share(found.excess.value / found.limit)
        over = note("report.over-by", excess=found.excess, share=part, area=found.area)
    gap = check.gaps.measured()
    limit = note("limit.in-mm", length=metres(found.limit)) if judged is None else limit_of_criterion(judged)
    said = as_restricted(decided(flat), check.verdict.restricted)
    sentence = note("report.background", decision=said, gap=gap, over=over)
    return note("report.by-limit", judged=with_others(sentence, check.gaps), limit=limit)


def variation_notes(found: Variation) -> Iterator[Note]:
    """What the wall takes beyond the allowance."""
    planned = found.planned
    volume = Quantity(planned.volume.value, planned.volume.u, "m3")
    yield note("report.beyond", allowance=metres(found.allowance), volume=volume, area=square_metres(planned.area))
    if found.applied is not None:
        area = square_metres(found.applied.area)
        applied = Quantity(found.applied.volume.value, found.applied.volume.u, "m3")
        yield note("report.in-place-beyond", volume=applied, area=area)
    before, now = found.visits
    visits = "" if before is None or now is None else note("report.visits-against", now=now, before=before)
    money: Said = ""
    if found.amount is not None:
        money = note("report.at-rates", amount=share(found.amount), currency=found.currency)
    first, last = found.passes
    yield note("report.coats-against", now=last, before=first, system=found.system, visits=visits, money=money)


def following_note(found: Change) -> Note:
    """How far the later surface follows the earlier, never a cause."""
    assert found.following.share is not None
    part = share(found.following.share)
    if (found.following.slope or 0.0) >= 0:
        return note("report.follows", share=part)
    return note("report.follows-reversed", share=part)


def _asked_values(found: Change) -> dict[str, object]:
    """What was asked for beside the change itself."""
    more: dict[str, object] = {}
    if found.under is not None and found.least is not None:
        more["cover_mm"] = metres(found.least)
        more["under_cover_m2"] = found.under
        more["surely_under_cover_m2"], more["under_cover_high_m2"] = ends(found.under)
        more["thin"] = thin(found).rows_as_values()
    more |= {} if found.quoted is None else {"quoted_l": cubic_metres(found.quoted)}
    more |= {} if found.used is None else {"used_l": cubic_metres(found.used)}
    more["follows"] = {
        "share": _FLAT if found.following.share is None else share(found.following.share),
        "slope": _FLAT if found.following.slope is None else share(found.following.slope),
    }
    if found.agreement is not None:
        more["agreement"] = _agreement_values(found.agreement)
    if found.background is not None:
        more["background"] = _background_values(found.background)
    if found.variation is not None:
        more["variation"] = _variation_values(found)
    return more


def _agreement_values(agreement: Agreement) -> dict[str, object]:
    u_lean = agreement.lean.u
    return {
        "differing_share": share(agreement.share),
        "k": share(agreement.factor),
        "lean_mm_per_m": slope(agreement.lean.value),
        "u_lean_mm_per_m": _NO_PLUMB if u_lean is None else slope(u_lean),
        "correlation": _FLAT if agreement.correlation is None else share(agreement.correlation),
        "agree": agreement.agree,
        "lean_agrees": _NO_PLUMB if agreement.lean_agrees is None else agreement.lean_agrees,
    }


def _background_values(found: Background) -> dict[str, object]:
    check, nothing = found.check, Unknown("unknown.no-position")
    worst = check.gaps.judged()
    excess = (nothing, nothing) if found.excess is None else ends(found.excess)
    area = ends(found.area)
    return {
        "decision": check.verdict.decision,
        "tolerance": Unknown("unknown.no-entry") if check.tolerance is None else check.tolerance.id,
        "rule_mm": metres(check.gaps.rule),
        "limit_mm": metres(found.limit),
        "gap_mm": check.gaps.measured() or nothing,
        "u_gap_mm": nothing if worst is None or worst.u is None else metres(worst.u),
        "excess_mm": nothing if found.excess is None else found.excess,
        "excess_low_mm": excess[0],
        "excess_high_mm": excess[1],
        "excess_share": nothing if found.excess is None else share(found.excess.value / found.limit),
        "area_over_m2": found.area,
        "area_over_low_m2": area[0],
        "area_over_high_m2": area[1],
    }


def _variation_values(found: Change) -> dict[str, object]:
    v = found.variation
    assert v is not None
    applied = v.applied
    return {
        "allowance_mm": metres(v.allowance),
        "planned_over_l": cubic_metres(v.planned.volume.value),
        "u_planned_over_l": _UNTIED if v.planned.volume.u is None else cubic_metres(v.planned.volume.u),
        "planned_area_m2": square_metres(v.planned.area),
        "applied_over_l": _UNTIED if applied is None else cubic_metres(applied.volume.value),
        "u_applied_over_l": _UNTIED if applied is None or applied.volume.u is None else cubic_metres(applied.volume.u),
        "applied_area_m2": _UNTIED if applied is None else square_metres(applied.area),
        "extra_coats": v.passes[1] - v.passes[0],
        "extra_visits": extra_of(v.visits),
        "extra_bags": extra_of(v.bags),
        "extra_thickness_mm": metres(v.thickness),
        "extra_labour_hours": extra_hours(v) or _NO_VISITS,
        "extra_products": tuple(
            {"name": name, "unit": unit, "count": share(count)} for name, unit, count in v.products
        ),
        "price": Unknown("unknown.no-rates") if v.amount is None else share(v.amount),
        "system": v.system,
        "currency": v.currency,
        "lines": variation_table(found).rows_as_values(),
    }


_COLUMNS = (
    Column("kind", "what"),
    *AT,
    Column("change_mm", "by", 1),
    Column("u_mm", "±", spread=True),
    Column("width_mm", "width"),
    Column("height_mm", "height"),
    Column("area_m2", "area", 2),
    Column("volume_l", "volume", 1),
)


def _rows(found: tuple[Place, ...]) -> tuple[tuple[str | float, ...], ...]:
    return tuple((p.kind, p.x, p.y, p.value, p.u, p.width, p.height, p.area, p.volume) for p in found)


def places(found: Change) -> Table:
    """Connected changes beyond the detection limit, the largest volume first."""
    rows = _rows(found.difference.places)
    return Table("changes", "What changed", _COLUMNS, rows, "no change beyond the detection limit")


def thin(found: Change) -> Table:
    """Places under the least cover, the thinnest first."""
    return Table("thin", "Under the least cover", _COLUMNS, _rows(found.thin), "no place under the least cover")


def variation_table(found: Change) -> Table:
    """Lines of the quote at the measured thickness less those at the allowance."""
    lines = () if found.variation is None else found.variation.lines
    columns = (
        Column("what", "what"),
        Column("quantity", "more by", 2),
        Column("unit", "unit"),
        Column("rate", "rate", 2),
        Column("amount", "amount", 2),
    )
    rows = tuple((line.what, line.quantity, line.unit, line.rate, line.amount) for line in lines)
    empty = "no rates were given: flatscan ships no prices"
    return Table("variation", "Lines of the quote that differ", columns, rows, empty)

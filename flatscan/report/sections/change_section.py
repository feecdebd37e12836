"""What changed between two surveys: thickness applied, places, agreement, background, and what goes beyond a price."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from flatscan.compare import Difference, Place, Reference
from flatscan.core.notes import Note, Unknown, note
from flatscan.core.quantity import Quantity, cubic_metres, metres, share, square_metres
from flatscan.jobs import Change, Seen
from flatscan.jobs.results import Background
from flatscan.report.limits import limit_of_criterion
from flatscan.report.parts import Fact, FirstLine, Section
from flatscan.report.say import Said
from flatscan.report.sections.agreement_section import (
    agreement_facts,
    agreement_note,
    agreement_values,
    both_notes,
    differ_table,
    where_note,
)
from flatscan.report.sections.extra_section import extra_table, variation_notes, variation_table, variation_values
from flatscan.report.sections.gap_section import as_restricted, decided, titled, with_others
from flatscan.report.sections.seen_section import ends, wall_title
from flatscan.report.tables import AT, Column, Table

_SHOWN = 3
_SHORT = {"report.thickness": "first.applied", "report.thickness-at": "first.applied-at"}
_UNTIED, _FLAT = Unknown("unknown.untied"), Unknown("unknown.flat")


def change_section(found: Change) -> Section:
    """The ``compare`` section: what changed, how the surveys were tied, and what was asked for beside it."""
    change, origin = found.difference, found.earlier.origin
    mean, volume, least = _sums(change)
    limit, compared = typical_limit(change), square_metres(change.compared_area)
    detection = Unknown("unknown.nothing-compared") if limit is None else metres(limit)
    changed = changed_share(change)
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
        "changed_low_share": ends(changed)[0],
        "changed_high_share": ends(changed)[1],
        "u_mm": _u(mean),
        "u_volume_l": _u(volume),
        "u_least_mm": _u(least),
        "least_x_mm": _UNTIED if change.least_at is None else metres(change.least_at[0]),
        "least_y_mm": _UNTIED if change.least_at is None else metres(change.least_at[1]),
        "detection_limit_mm": detection,
        "surely_changed_share": share(change.surely_share),
        "added_l": change.added,
        "u_added_l": _u(change.added),
        "removed_l": change.removed,
        "u_removed_l": _u(change.removed),
        "compared_share": share(change.compared_share),
        "of": "wall" if change.whole else "part compared",
        "u_place_mm": metres(change.alignment.u_place),
        "tied_by": change.alignment.how,
        "not_determined": tuple(change.alignment.undetermined),
        "not_judged": found.not_judged,
        "asked": tuple({"answer": one.answer, "found": one.said, "until": one.settle} for one in found.questions),
        "places": places(found).rows_as_values(),
    }
    values |= _asked_values(found)
    said: list[Said] = [note("report.compared", file=origin.file, how=change.alignment.how)]
    thickness = list(_thickness(found, mean, volume, least))
    said += thickness
    surely = share(change.surely_share)
    beyond = note("report.changed", limit=_or_unknown(detection), changed=changed, surely=surely, compared=compared)
    asked = list(_asked_facts(found))
    changes = [beyond, *_place_sentences(found)] if found.agreement is None else []
    said += [*changes, *(fact.text for fact in asked)]
    said += [note("report.cannot-tell", what=found.not_judged)] if found.not_judged else []
    facts = [Fact("compared", said[0]), *(Fact("thickness", text) for text in thickness)]
    facts += [Fact("changed", beyond)] if found.agreement is None else []
    facts += [Fact("reference", reference_note(found.reference))] if found.reference is not None else []
    facts += [*asked, *(Fact("cannot-tell", text) for text in found.not_judged)]
    facts += [Fact("earlier", _survey(found.earlier)), Fact("later", _survey(found.seen))]
    tables = [differ_table(found)]
    if found.agreement is None:
        # of an unchanged wall only what is beyond chance counts
        tables += [places(found), thin(found), extra_table(found.variation), variation_table(found)]
    return Section("compare", values, tuple(said), tuple(facts), tuple(table for table in tables if table.rows))


def compared_lines(found: Change) -> Iterator[FirstLine]:
    """The answers of the first screen: against what, what came on or who disagrees where, and cover or limit."""
    wall = found.wall
    size, tie = (metres(wall.width), metres(wall.height)), found.difference.alignment.how
    said = note("first.compared", size=size, file=found.earlier.origin.file, how=tie)
    yield FirstLine(wall_title(found.seen), said)
    agreement = found.agreement
    if agreement is not None:
        yield FirstLine(note("first.agreement"), agreement_note(agreement))
        yield FirstLine(note("first.where"), where_note(agreement))
        if found.other is not None:
            yield FirstLine(note("first.both-say"), note("first.left", parts=tuple(both_notes(found))))
        return
    applied = next(_thickness(found, *_sums(found.difference)))
    if found.difference.mean is not None:
        applied = note(_SHORT[applied.code], applied.place, **applied.quantities)
    yield FirstLine(note("first.thickness"), applied)
    yield FirstLine(note("first.changed"), _changed_most(found))
    if found.verdict is not None:
        gap = found.gaps.measured()
        largest = note("first.no-gap") if gap is None else note("report.party-gap", gap=gap)
        every = found.verdict.criteria
        words = tuple(note("first.decided", name=titled(one), decision=decided(one.decision)) for one in every)
        yield FirstLine(note("first.decision"), note("report.party-decided", decided=words, largest=largest))
    elif found.under is not None and found.least is not None:
        yield FirstLine(note("first.cover"), note("first.under-cover", least=metres(found.least), under=found.under))


def _changed_most(found: Change) -> Note:
    """How much of the wall changed, and the place that counts most."""
    change = found.difference
    changed, area = changed_share(change), square_metres(change.compared_area)
    said = note("first.changed-on", changed=changed, surely=share(change.surely_share), compared=area)
    top = next(_place_notes(found), None)
    return said if top is None else note("first.changed-most", said=said, top=top)


def changed_share(change: Difference) -> Quantity:
    """The share that changed, between what it is at least and at most."""
    return Quantity(change.changed_share, None, "1", *change.changed_between)


def _sums(change: Difference) -> tuple[Quantity | Unknown, Quantity | Unknown, Quantity | Unknown]:
    """Mean, volume and least, or why they are not known."""
    return _tied(change.mean), _tied(change.volume, "m3"), _tied(change.least)


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


def reference_note(found: Reference) -> Note:
    """How the shape of the reference agrees, and its place that agrees least."""
    most = metres(abs(found.worst.value), found.worst.u)
    return note("report.reference", found.at, area=square_metres(found.area), most=most, hides=metres(found.hides))


def typical_limit(change: Difference) -> float | None:
    """The detection limit at the middle place [m], None where nothing was compared."""
    limit = change.detection[np.isfinite(change.change)]
    return float(np.median(limit)) if limit.size else None


def _thickness(
    found: Change, mean: Quantity | Unknown, volume: Quantity | Unknown, least: Quantity | Unknown
) -> Iterator[Note]:
    """What was put on, where a tie lets it be known and nobody asked whether two parties agree."""
    if found.agreement is not None:
        return
    if not (isinstance(mean, Quantity) and isinstance(volume, Quantity) and isinstance(least, Quantity)):
        yield note("report.thickness-untied")
        return
    at = found.difference.least_at
    part = "" if found.difference.whole else note("report.on-part", share=share(found.difference.compared_share))
    values = {"mean": mean, "volume": volume, "least": least, "part": part}
    yield note("report.thickness" if at is None else "report.thickness-at", at, **values)
    for code, value in (("report.quoted", found.quoted), ("report.used", found.used)):
        if value is not None:
            off = volume.value - value
            more = note("report.more") if off >= 0 else note("report.less")
            yield note(code, by=cubic_metres(abs(off)), more=more, volume=cubic_metres(value))


def _place_sentences(found: Change) -> Iterator[Note]:
    return (note("report.place-line", what=said) for said in _place_notes(found))


def _place_notes(found: Change) -> Iterator[Note]:
    tied = found.difference.mean is not None
    for number, place in enumerate(found.difference.places[:_SHOWN], 1):
        code = (
            ("report.added" if place.value > 0 else "report.removed")
            if tied
            else ("report.prouder" if place.value > 0 else "report.hollower")
        )
        most, area = metres(abs(place.value), place.u), square_metres(place.area, None, place.area_between)
        yield note("report.change-at", (place.x, place.y), number=number, what=note(code), most=most, area=area)


def _asked_facts(found: Change) -> Iterator[Fact]:
    """What was asked beside the change itself."""
    if found.under is not None and found.least is not None:
        yield Fact("under-cover", note("report.under-cover", least=metres(found.least), under=found.under))
    yield from agreement_facts(found)
    if found.background is not None:
        yield Fact("background", background_note(found.background))
    if found.variation is not None:
        yield from (Fact("beyond", text) for text in variation_notes(found.variation))
    if found.following.share is not None:
        yield Fact("follows", following_note(found))


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
        more["agreement"] = agreement_values(found)
    if found.background is not None:
        more["background"] = _background_values(found.background)
    if found.variation is not None:
        more["variation"] = variation_values(found)
    return more


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


_COLUMNS = (
    Column("mark", "place"),
    Column("kind", "what"),
    *AT,
    Column("change_mm", "by", 1),
    Column("u_mm", "±", spread=True),
    Column("width_mm", "width"),
    Column("height_mm", "height"),
    Column("u_size_mm", "±", spread=True),
    Column("area_m2", "area", 2),
    Column("area_low_m2", "at least", 2),
    Column("area_high_m2", "at most", 2),
    Column("volume_l", "volume", 1),
    Column("u_volume_l", "±", 1, spread=True),
)


def _rows(letter: str, found: tuple[Place, ...]) -> tuple[tuple[str | float | None, ...], ...]:
    return tuple(
        (
            *(f"{letter}{n}", p.kind, p.x, p.y, p.value, p.u, p.width, p.height, p.u_size),
            *(p.area, *p.area_between, p.volume, p.u_volume),
        )
        for n, p in enumerate(found, 1)
    )


def places(found: Change) -> Table:
    """Connected changes beyond the detection limit, the largest volume first."""
    rows = _rows("C", found.difference.places)
    return Table("changes", "What changed", _COLUMNS, rows, "no change beyond the detection limit")


def thin(found: Change) -> Table:
    """Places under the least cover, the thinnest first."""
    return Table("thin", "Under the least cover", _COLUMNS, _rows("T", found.thin), "no place under the least cover")

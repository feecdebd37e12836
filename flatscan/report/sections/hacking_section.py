"""Humps: those planned to be cut, those worth cutting and how deep, and what sets the plane where none is."""

from __future__ import annotations

from collections.abc import Iterator

from flatscan.core.notes import Note, Unknown, note
from flatscan.core.quantity import cubic_metres, metres, share
from flatscan.jobs import Planned
from flatscan.plan.hacking import Hack
from flatscan.report.bands import cut_of, if_deeper, resting
from flatscan.report.parts import Fact, Section
from flatscan.report.tables import AT, Cell, Column, Table, shows

_HACKS = 3
_NO_BAGS = Unknown("unknown.no-bags")


def hacking(plan: Planned) -> Section:
    """Humps in the order of worth; what they save adds up from the first row down, refill included, before waste.

    On paper those that are planned stand first; the document has them in the plan.
    """
    listed, shown = hack_table(plan.hacks), cut_list(plan)
    answers, said = (Fact("governs", governs(plan)),), tuple(_hack_sentences(plan))
    return Section("hacking", headline=said, answers=answers, listed=listed, tables=(shown,))


def hack_table(hacks: tuple[Hack, ...]) -> Table:
    """The humps worth cutting, each cut as deep as those up to it need; ``cut_all_mm`` is what all together need."""
    rows = tuple((h.x, h.y, h.cut_so_far, h.area, h.saves, h.saves_bags, h.minutes, h.rubble, h.cut) for h in hacks)
    columns = (
        *AT,
        Column("cut_mm", "cut", 1),
        Column("area_m2", "area", 2),
        Column("saves_l", "saves so far", 1),
        Column("saves_bags", "bags saved so far", 1, _NO_BAGS),
        Column("minutes", "minutes' work", 0),
        Column("rubble_l", "rubble", 1),
        Column("cut_all_mm", "if all are cut", 1),
    )
    return Table("hacking", "Hacking", columns, rows, "no hump is worth cutting")


def cut_list(plan: Planned) -> Table:
    """The humps that are planned to be cut, then those worth cutting or possible beside them, to tick off."""
    planned, offered = note("report.cut-planned"), note("report.cut-possible" if plan.cuts else "report.cut-offered")
    works = zip(plan.cut_numbers, plan.cuts, plan.cut_minutes, plan.cut_rubble, strict=True)
    rows: list[tuple[Cell, ...]] = [
        (f"H{number}", planned, cut.x, cut.y, cut.depth, "", "", "", minutes, rubble)
        for number, cut, minutes, rubble in works
    ]
    for k, h in enumerate(plan.hacks, 1):
        deeper = if_deeper(h)
        depths = h.cut_so_far, "" if deeper is None else deeper
        rows.append((f"H{h.number or k}", offered, h.x, h.y, *depths, h.saves, h.saves_bags, h.minutes, h.rubble))
    columns = (
        Column("mark", "hump"),
        Column("what", "what"),
        *AT,
        Column("cut_mm", "cut", 1),
        Column("cut_all_mm", "if all are cut", 1),
        Column("saves_l", "saves so far", 1),
        Column("saves_bags", "bags so far", 1, _NO_BAGS),
        Column("minutes", "minutes' work", 0),
        Column("rubble_l", "rubble", 1),
    )
    return Table("cut_list", "Hacking", columns, tuple(rows), "no hump is worth cutting")


def depth_of(hack: Hack) -> Note:
    """How deep a hump is cut with those before it, and once the rest of the list goes as well."""
    return cut_of(hack.cut_so_far, if_deeper(hack))


def _not_alone(plan: Planned) -> bool:
    """Whether the first hump listed stands no prouder than the next, so that cutting it by itself takes 0.0 mm."""
    return len(plan.hacks) > 1 and not shows(plan.hacks[0].cut_so_far)


def _hack_sentences(plan: Planned) -> Iterator[Note]:
    if plan.cuts:
        marked = zip(plan.cut_numbers, plan.cuts, strict=True)
        humps = tuple(note("report.cut-hump", number=number, cut=metres(cut.depth)) for number, cut in marked)
        yield note("report.cuts-planned", humps=humps, minutes=round(sum(plan.cut_minutes)))
    if not plan.hacks:
        rests = resting(plan.build_up)
        if plan.held_by is not None:
            yield note("report.screeds-set-it", by=plan.held_by)
        elif rests:
            yield note("report.wall-sets-it-then" if plan.cuts else "report.wall-sets-it", rests[0])
        else:
            yield note("report.no-hump-then" if plan.cuts else "report.no-hump")
        return
    for number, hack in enumerate(plan.hacks[:_HACKS], 1):
        saves = cubic_metres(hack.saves)
        bags = note("report.and-bags", bags=share(hack.saves_bags)) if hack.saves_bags is not None else ""
        first = "report.hump-also" if plan.cuts else "report.hump-first"
        code = first if number == 1 else "report.hump-then"
        work = round(sum(one.minutes for one in plan.hacks[:number]))
        at, named = (hack.x, hack.y), hack.number or number
        if number == 1 and _not_alone(plan):
            alone = "report.hump-also-not-alone" if plan.cuts else "report.hump-first-not-alone"
            yield note(alone, at, number=named, cut=cut_of(hack.cut, None))
            continue
        yield note(code, at, number=named, cut=depth_of(hack), saves=saves, bags=bags, minutes=work)


def governs(plan: Planned) -> Note:
    """Which hump sets the face and what cutting it saves, or why none is worth it."""
    if plan.hacks:
        first = plan.hacks[0]
        number, saves = first.number or 1, cubic_metres(first.saves)
        if _not_alone(plan):
            cut = cut_of(first.cut, None)
            return note("report.hump-governs-not-alone", (first.x, first.y), number=number, cut=cut)
        return note("report.hump-governs", (first.x, first.y), number=number, cut=depth_of(first), saves=saves)
    if plan.held_by is not None:
        return plan.held_by
    rests = resting(plan.build_up)
    if plan.cuts:
        return note("report.wall-governs-then", rests[0]) if rests else note("report.nothing-governs-then")
    return note("report.wall-governs", rests[0]) if rests else note("report.nothing-governs")

"""Material, hacking, choices, quote: what to do about the wall, what it takes and what it costs."""

from __future__ import annotations

from collections.abc import Iterator

from flatscan.core.notes import Note, Unknown, note
from flatscan.core.quantity import Quantity, cubic_metres, kilograms, load, metres, share, slope
from flatscan.jobs import Planned, Survey, Together
from flatscan.plan.coats import OrderLine
from flatscan.plan.face import Clash
from flatscan.plan.other_planes import worth_more
from flatscan.plan.takeoff import TakeOff
from flatscan.report.parts import Fact, Section
from flatscan.report.say import Said
from flatscan.report.sections.hacking_section import hacking
from flatscan.report.sections.order_words import (
    beside,
    bought,
    figure_table,
    figures,
    labour,
    labour_table,
    price_words,
    prices,
    products,
    sold,
    working_time,
)
from flatscan.report.sections.pocket_section import pocket_table, pocket_words, without_table
from flatscan.report.tables import AS_IS, AT, Cell, Column, Table, shows
from flatscan.wall import Corner

# a coat whose mean [m] over the whole wall is under this goes to a few places only
_IN_PLACES = 5e-4
_NO_BAGS, _DOUBLED = Unknown("unknown.no-bags"), Unknown("unknown.doubled")
_NO_WATER = Unknown("unknown.no-water")


def material(plan: Planned, bands: tuple[Table, ...] = (), without: Table | None = None) -> Section:
    """The finish plane, what stands between it and the wall, coats, bags and days."""
    built, order = plan.build_up, plan.take_off
    plane = built.plane
    lean, turn, foot = slope(plane.lean), slope(plane.turn), metres(plane.at_left_foot)
    least, mean, most = metres(built.least), metres(built.mean), metres(built.most)
    volume, said = built.volume, litres(built.volume, built.low, built.high, built.order)
    one: tuple[Quantity | Unknown, ...] = (mean, volume, _litres(volume.u), _litres(built.order))
    if built.between:
        # a range, never a number: nobody knows which of the two surfaces is the wall
        one = (_DOUBLED,) * 4
    coats = coat_table(order)
    values = {
        "system": order.system,
        "least_mm": least,
        "mean_mm": one[0],
        "most_mm": most,
        "volume_l": one[1],
        "u_volume_l": one[2],
        "volume_low_l": _litres(built.low),
        "volume_high_l": _litres(built.high),
        "order_l": one[3],
        "plane": {"lean_mm_per_m": lean, "turn_mm_per_m": turn, "at_left_foot_mm": foot},
        "coats": coats.rows_as_values(),
        "bags": (_DOUBLED if built.between else _NO_BAGS) if order.bags is None else order.bags,
        "waste_share": share(order.waste_share),
        "products": products(order),
        **labour(order),
        **prices(order),
        "figures": figures(order),
        "bags_range": _NO_BAGS if order.bags_range is None else tuple(share(bag) for bag in order.bags_range),
        "stops": order.stops,
        "pockets": pocket_table(plan).rows_as_values(),
        "without": () if without is None else without.rows_as_values(),
        "notes": order_notes(order),
    }
    ends = {"least": least, "most": most} | ({} if built.between else {"mean": mean})
    code = "report.build-up-between" if built.between else "report.build-up"
    sentence = note(code, None, plane=plane.rule, volume=said, **ends)
    facts = (
        Fact("plane", plane.rule),
        Fact("lean-turn", note("report.lean-turn", lean=lean, turn=turn)),
        Fact("left-foot", _left_foot(plan, foot)),
        Fact("least", note("report.length-fine", length=least)),
        Fact("mean", note("report.unknown") if built.between else note("report.length-fine", length=mean)),
        Fact("most", note("report.length-fine", length=most)),
        Fact("volume", note("report.before-waste", volume=said)),
    )
    answers = (Fact("thick", note("report.thick-between" if built.between else "report.thick", None, **ends)),)
    if built.between:
        bands = ()
    beside = (*((pocket_table(plan),) if plan.pockets else ()), *((without,) if without and without.rows else ()))
    words = (sentence, *pocket_words(plan))
    return Section("material", values, words, facts, (*bands, *beside), answers=answers)


def order_section(plan: Planned) -> Section:
    """What to order, for readers: coats, weight, bags, days and price; the document has it under material."""
    order = plan.take_off
    return Section(
        "order",
        headline=tuple(_order_sentences(order)),
        facts=tuple(_order_facts(order)),
        tables=(order_table(order), coat_table(order), labour_table(order), figure_table(order)),
        remarks=order_notes(order),
        answers=() if order.bags is not None else tuple(Fact("order-note", said) for said in order_notes(order)),
        in_document=False,
    )


def order_notes(order: TakeOff) -> tuple[Said, ...]:
    """What is said of the order, first that no stop sign fired where none did."""
    return (*(() if order.stops else (note("stop.none"),)), *order.notes)


def litres(volume: Quantity, low: float | None, high: float | None, order: float | None) -> Note:
    """A volume with what to order of it and its 95 % interval, all in m3; an exact one bare."""
    if low is not None and high is not None and order is None:
        return note("report.volume-between", low=cubic_metres(low), high=cubic_metres(high))
    if low is None or high is None or order is None:
        return note("report.volume-unknown-spread", volume=Quantity(volume.value, None, "m3"))
    if low == high:
        return note("report.volume-exact", volume=volume)
    return note(
        "report.volume-order",
        volume=volume,
        order=cubic_metres(order),
        low=cubic_metres(low),
        high=cubic_metres(high),
    )


def _litres(volume: float | None) -> Quantity | Unknown:
    return Unknown("unknown.u-volume") if volume is None else cubic_metres(volume)


def _coat_words(order: TakeOff) -> tuple[Note, ...]:
    return tuple(
        note("report.coat", name=coat.name, thickness=metres(coat.thickness))
        if coat.thickness >= _IN_PLACES
        else note("report.coat-in-places", name=coat.name)
        for coat in order.coats
    )


def _order_sentences(order: TakeOff) -> Iterator[Said]:
    if order.coats:
        yield note("report.coats", system=order.system, coats=note("report.then", parts=_coat_words(order)))
    yield from order.notes
    if order.weight is not None and order.weight_worst is not None:
        yield note("report.weight", weight=kilograms(order.weight), worst=load(order.weight_worst))
    if order.bags is None:
        return
    worked = working_time(order)
    about = "" if worked is None else note("report.about-days", work=worked)
    waste = share(order.waste_share)
    yield note("report.order", wanted=bags_needed(order), bags=order.bags, waste=waste, about=about)


def bags_needed(order: TakeOff) -> Said:
    """How many bags an order needs, from low to high, or the one number that both are; nothing where it has no bags."""
    span = order.bags_range
    if span is None:
        return ""
    if span[0] == span[1]:
        return note("report.bags-about", bags=share(span[0]))
    return note("report.bags-wanted", low=share(span[0]), high=share(span[1]))


def _order_facts(order: TakeOff) -> Iterator[Fact]:
    yield Fact("system", order.system)
    if order.weight is not None and order.weight_worst is not None:
        yield Fact("weight", note("report.weights", weight=kilograms(order.weight), worst=load(order.weight_worst)))
    if order.bags is not None:
        waste = share(order.waste_share)
        yield Fact("bags", note("report.bags", wanted=bags_needed(order), bags=order.bags, waste=waste))
    if order.coats:
        yield Fact("coats", note("report.then", parts=_coat_words(order)))
    products_said = bought(order)
    if products_said is not None:
        yield Fact("products", products_said)
    yield Fact("days", working_time(order) or note("report.unknown"))
    yield Fact("price", price_words(order))


def coat_table(order: TakeOff) -> Table:
    """Coats in the order they go on."""
    columns = (
        Column("name", "coat"),
        Column("thickness_mm", "mean thickness", 1),
        Column("kg", "with waste", 1),
        Column("bags", "bags with waste", 1, _NO_BAGS),
        Column("water_low_l", "water from", 0, _NO_WATER),
        Column("water_high_l", "to", 0, _NO_WATER),
    )
    none = (None, None)
    rows = tuple((coat.name, coat.thickness, coat.kg, coat.bags, *(coat.water or none)) for coat in order.coats)
    return Table("coats", "Coats", columns, rows, "no coat was worked out")


def order_table(order: TakeOff) -> Table:
    """What to order, one product a line: wanted from low to high by consumption and survey, and the order.

    Beads, strips and mesh stand under what is mixed.
    """
    columns = (
        Column("product", "product"),
        Column("unit", "sold as"),
        Column("kg", "with waste", 0, _NO_BAGS),
        Column("low", "needed from", AS_IS),
        Column("high", "to", AS_IS),
        Column("order", "ORDER", AS_IS),
        Column("or", "or"),
    )
    other: dict[tuple[Said, str], Said] = {
        (it.name, it.unit): sold(it.instead[1], it.instead[0]) for it in order.products if it.instead is not None
    }
    rows: list[tuple[Cell, ...]] = [
        (line.product, line.unit, line.kg, *line.span, line.order, other.get((line.product, line.unit), ""))
        for line in order.order
    ]
    rows += [(it.name, it.unit, None, None, None, it.count, "") for it in beside(order)]
    return Table("order", "To order", columns, tuple(rows), "nothing to order was worked out")


def _left_foot(plan: Planned, foot: Quantity) -> Note:
    """Where the face stands at the left foot: of laser readings from the laser, of a scan from the wall itself."""
    laser = plan.arranged is not None and plan.arranged.relief.laser is not None
    if laser and foot.value < 0:
        return note("report.from-laser", length=metres(-foot.value))
    return note("report.toward-room", length=foot)


def survey_sections(found: Survey, bands: tuple[Table, ...]) -> Iterator[Section]:
    """Everything a survey plans: material and hacking, then what was asked for beside them."""
    yield material(found.plan, bands, without_table(found))
    yield hacking(found.plan)
    yield order_section(found.plan)
    if found.together is not None:
        yield _together(found.together)
    if found.choices:
        yield _choices(found)
    if found.quote is not None:
        yield _quote(found)
    if found.clashes:
        yield _clashes(found.clashes)
    yield extras(found.plan)
    if found.shown is not None:
        yield _light(found)


def _together(joined: Together) -> Section:
    columns = (
        Column("product", "product"),
        Column("unit", "sold as"),
        Column("low", "needed from", 1),
        Column("high", "to", 1),
        Column("order", "ORDER", AS_IS),
    )
    rows = tuple((line.product, line.unit, line.low, line.high, line.order) for line in joined.order)
    title = note("report.one-order-for", walls=joined.walls)
    table = Table("order_together", title, columns, rows, "nothing to order")
    lines = tuple(_order_line(line) for line in joined.order)
    volume = cubic_metres(joined.volume)
    code = "report.together-square" if joined.corners == "square" else "report.together-kept"
    said: list[Said] = [note(code, walls=joined.walls, volume=volume, order=note("report.list", parts=lines))]
    if joined.squaring is not None and joined.squaring > 0:
        said.append(note("report.squaring", volume=cubic_metres(joined.squaring)))
    return Section("order_together", headline=tuple(said), listed=table, tables=(table,))


def _order_line(line: OrderLine) -> Note:
    return note("report.order-line", order=share(line.order), unit=line.unit, product=line.product)


def _choices(found: Survey) -> Section:
    """The price list of choices: what each way to place the plane takes, and what it costs in plumb and square."""
    between = found.plan.build_up.between
    not_placed = Unknown("unknown.choice")
    sized, bagged = (_DOUBLED, _DOUBLED) if between else (not_placed, _NO_BAGS)
    columns = (
        Column("name", "choice"),
        Column("least_mm", "least", 1, not_placed),
        Column("mean_mm", "mean", 1, sized),
        Column("most_mm", "most", 1, not_placed),
        Column("volume_l", "volume", 0, sized),
        Column("bags", "bags", 0, bagged),
        Column("out_of_plumb_mm", "out of plumb", 1),
        Column("out_of_square_mm", "out of square", 1),
        Column("reason", "why not"),
    )
    rows: list[tuple[Cell, ...]] = []
    for choice in found.choices:
        built, bags = choice.build_up, None if choice.take_off is None else choice.take_off.bags
        sizes: tuple[Cell, ...] = (None,) * 4
        if built is not None:
            likely = (None, None) if between else (built.mean, built.volume.value)
            sizes = built.least, likely[0], built.most, likely[1]
        reason = choice.reason or ""
        rows.append((choice.name, *sizes, bags, choice.out_of_plumb, choice.out_of_square, reason))
    table = Table("choices", "Choices of finished face", columns, tuple(rows), "no choice was worked out")
    return Section("choices", headline=tuple(_best_choice(found)), listed=table, tables=(table,))


def _best_choice(found: Survey) -> Iterator[Note]:
    """The choice worth more than the first, with what it costs in plumb and square."""
    best = worth_more(found.choices)
    if best is None or found.plan.build_up.between:
        return
    off = ((best.out_of_plumb, "report.out-of-plumb"), (best.out_of_square, "report.out-of-square"))
    costs = [note(code, by=metres(abs(value))) for value, code in off if shows(value)]
    saved = note("report.volume-exact", volume=cubic_metres(best.saves or 0.0))
    yield note("report.or-choice", name=best.name, costs=note("report.list-comma", parts=(saved, *costs)))


def _quote(found: Survey) -> Section:
    """Quote lines at the user's own rates, the total last."""
    assert found.quote is not None
    columns = (
        Column("what", "line"),
        Column("quantity", "quantity", 2),
        Column("unit", "unit"),
        Column("rate", "rate", 2),
        Column("amount", "amount", 2),
    )
    rows: list[tuple[Cell, ...]] = [
        (line.what, line.quantity, line.unit, line.rate, line.amount) for line in found.quote.lines
    ]
    currency = found.quote.currency
    rows.append((note("report.in-all", currency=currency), None, "", None, found.quote.total))
    title = note("report.quote-title", currency=currency)
    table = Table("quote", title, columns, tuple(rows), "nothing to charge at these rates")
    total = share(found.quote.total)
    said = note("report.quote", total=total, currency=currency) if currency else note("report.quote-bare", total=total)
    return Section("quote", headline=(said,), listed=table, tables=(table,))


def _clashes(clashes: tuple[Clash, ...]) -> Section:
    """What the new face buries or leaves proud."""
    unread = Unknown("unknown.clash")
    columns = (
        Column("name", "what"),
        *AT,
        Column("build_up_mm", "build-up", 1, unread),
        Column("stands_mm", "stands", 1, unread),
        Column("verdict", "after plastering"),
        Column("move_mm", "bring out", 1, unread),
    )
    rows = tuple((c.item.name, c.item.x, c.item.y, c.build_up, c.stands, c.verdict, c.move) for c in clashes)
    said = tuple(
        note("report.clash", name=clash.item.name, by=metres(abs(clash.stands)), verdict=clash.verdict)
        for clash in clashes
        if clash.verdict not in ("flush", "not measured") and clash.stands is not None
    )
    table = Table("clashes", "What the new face meets", columns, rows, "nothing was listed")
    return Section("clashes", headline=said, listed=table, tables=(table,))


def corners(found: tuple[Corner, ...]) -> Section:
    """Where other walls meet this one, and how far from square."""
    unknown = Unknown("unknown.corner")
    columns = (
        Column("left", "left wall"),
        Column("right", "right wall"),
        Column("out_of_square_mm", "out of square", 1, unknown),
        Column("u_out_of_square_mm", "±", why=unknown, spread=True),
        Column("leg_mm", "over"),
    )
    rows = tuple((str(c.left), str(c.right), c.out_of_square, c.u_out_of_square, c.leg) for c in found)
    table = Table("corners", "Corners, + open", columns, rows, "no other wall of the capture meets this one")
    return Section("corners", listed=table, tables=(table,))


def extras(plan: Planned) -> Section:
    """Reveals, beads and mesh by the metre."""
    more = plan.extras
    values = {
        "reveals_m": metres(more.reveals),
        "beads_m": metres(more.beads),
        "mesh_m": metres(more.mesh),
        "mesh_m2": Quantity(more.mesh_area, None, "m2"),
    }
    return Section("extras", values)


def _light(found: Survey) -> Section:
    shown = found.shown
    assert shown is not None
    part, unseen = share(shown.share), Unknown("unknown.light")
    values = {
        "share": part,
        "x_mm": unseen if shown.x is None else metres(shown.x),
        "y_mm": unseen if shown.y is None else metres(shown.y),
        "contrast": unseen if shown.contrast is None else share(shown.contrast),
    }
    return Section("light", values, headline=(note("report.light", share=part, said=shown.said),))

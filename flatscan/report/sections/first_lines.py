"""The first screen of a job: five lines that answer what it was asked, the doubt that decides before them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from flatscan.core.choices import METHODS
from flatscan.core.errors import Infeasible
from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, cubic_metres, metres, share
from flatscan.jobs import Change, Check, Lows, LowsByHand, Planned, Result, SetOut, Survey
from flatscan.jobs.doubts import Doubt, leads
from flatscan.plan.coats import OrderLine
from flatscan.plan.lows import Low
from flatscan.report.limits import limit_of_criterion, limit_source
from flatscan.report.parts import FirstLine
from flatscan.report.say import Said
from flatscan.report.sections.change_section import compared_lines
from flatscan.report.sections.gap_section import ALL, as_restricted, of_measured, titled
from flatscan.report.sections.hacking_section import depth_of
from flatscan.report.sections.order_words import beside, bought_one
from flatscan.report.sections.seen_section import wall_title
from flatscan.verdict import Criterion, Verdict

_LEADS = {
    "quote": "doubt.lead-quote",
    "set-out": "doubt.lead-set-out",
    "fill": "doubt.lead-fill",
    "decide": "doubt.lead-decide",
    "compare": "doubt.lead-compare",
}
_NOTHING = note("doubt.nothing")


def first_lines(result: Result, doubts: tuple[Doubt, ...]) -> tuple[FirstLine, ...]:
    """What deserves the first five lines, in their order."""
    return (*_leading(result, doubts), *_answers(result, doubts))


def _leading(result: Result, doubts: tuple[Doubt, ...]) -> Iterator[FirstLine]:
    """The doubt that decides, in its own line over everything, then a stop sign."""
    if doubts and doubts[0].decides:
        yield FirstLine("", lead(result, doubts[0]))
    if isinstance(result, (Survey, SetOut)) and result.plan.take_off.stops:
        yield FirstLine(note("first.stop"), result.plan.take_off.stops[0])


def lead(result: Result, doubt: Doubt) -> Note:
    """A doubt that decides, in the words that stand before the answer."""
    if doubt.whole is not None:
        return doubt.whole
    return note(_LEADS[leads(result)], settle=doubt.settle, said=doubt.said)


def doubt_line(doubts: tuple[Doubt, ...]) -> Note:
    """The heaviest doubt with what settles it."""
    return note("doubt.settled", said=doubts[0].said, settle=doubts[0].settle) if doubts else _NOTHING


def _answers(result: Result, doubts: tuple[Doubt, ...]) -> Iterator[FirstLine]:
    if isinstance(result, Check):
        yield from _checked(result, doubts)
        return
    if isinstance(result, Change):
        yield from compared_lines(result)
    else:
        yield FirstLine(wall_title(result.seen), _size(result))
    if isinstance(result, Lows):
        yield from _ruled(result)
    elif isinstance(result, (Survey, SetOut)):
        yield FirstLine(note("first.thickness"), thickness(result.plan))
        if isinstance(result, SetOut):
            yield FirstLine(note("first.start"), start(result))
        else:
            yield FirstLine(note("first.order"), ordered(result.plan))
        if not result.plan.take_off.stops:
            hacks = ("hack",) if result.plan.hacks or result.plan.cuts else ()
            yield FirstLine(note("first.cut-first"), cut_first(result.plan), hacks)
    if not (doubts and doubts[0].decides):
        yield FirstLine(note("first.doubt"), doubt_line(doubts))


def first_by_hand(found: LowsByHand, doubts: tuple[Doubt, ...]) -> tuple[FirstLine, ...]:
    """What was read, what to fill, and what could be wrong; which ridges stand proud nobody wrote down."""
    return (
        FirstLine(found.file, note("first.by-hand", readings=found.readings)),
        FirstLine(note("first.fill"), _fill(found.lows, found.limit), ("mix",)),
        FirstLine(note("first.doubt"), doubt_line(doubts)),
    )


def _size(result: Survey | SetOut | Lows) -> Note:
    wall, net = result.wall, Quantity(result.relief.net_area, None, "m2")
    size = (metres(wall.width), metres(wall.height))
    return note("first.ruled", size=size) if isinstance(result, Lows) else note("first.to-plaster", size=size, net=net)


def thickness(plan: Planned) -> Note:
    """From the thinnest to the thickest place, the mean, and the litres with what they likely are."""
    built = plan.build_up
    values = {
        "least": metres(built.least),
        "most": metres(built.most),
        "mean": metres(built.mean),
        "volume": Quantity(built.volume.value, None, "m3"),
    }
    if built.low is not None and built.high is not None and built.between:
        ends = {"low": cubic_metres(built.low), "high": cubic_metres(built.high)}
        return note("first.thick-between", None, least=values["least"], most=values["most"], **ends)
    if built.low is None or built.high is None:
        return note("first.thick-unsure", None, **values)
    return note("first.thick", None, low=cubic_metres(built.low), high=cubic_metres(built.high), **values)


def ordered(plan: Planned) -> Said:
    """Every product to order, and the price where rates were given; else why none was worked out."""
    take = plan.take_off
    if not take.order:
        none = note("first.no-order-doubled") if plan.build_up.between else note("first.no-order")
        return next((why for why in take.notes if isinstance(why, Infeasible)), none)
    mixed = (_product(line) for line in take.order if line.order > 0)
    order = note("first.some", parts=(*mixed, *(bought_one(it) for it in beside(take))))
    if take.price is None:
        return order
    if take.price_span is None:
        return note("first.priced", order=order, price=share(take.price))
    low, high = take.price_span
    return note("first.priced-span", order=order, price=share(take.price), low=share(low), high=share(high))


def _product(line: OrderLine) -> Note:
    if not line.in_bags:
        return note("first.loose", volume=share(line.order), product=line.product)
    count = round(line.order)
    return (
        note("first.bag", product=line.product) if count == 1 else note("first.bags", count=count, product=line.product)
    )


def cut_first(plan: Planned) -> Note:
    """The hump that pays most, or what is planned to be cut."""
    if plan.cuts:
        deep = max(plan.cuts, key=lambda cut: cut.depth)
        values = {"count": len(plan.cuts), "cut": metres(deep.depth)}
        return note("first.as-planned", (deep.x, deep.y), **values)
    if not plan.hacks:
        return note("first.none-cut") if plan.held_by is None else note("first.none-held", by=plan.held_by)
    one, last = plan.hacks[0], plan.hacks[-1]
    values = {"mark": f"H{one.number or 1}", "cut": depth_of(one), "saves": cubic_metres(one.saves)}
    what = note("first.hump", (one.x, one.y), **values)
    if len(plan.hacks) > 1:
        values |= {"count": len(plan.hacks), "all": cubic_metres(last.saves)}
        what = note("first.humps", (one.x, one.y), **values)
    minutes = round(sum(hack.minutes for hack in plan.hacks))
    what = note("first.minutes", what=what, minutes=minutes) if minutes else what
    once = tuple(f"H{hack.number or k}" for k, hack in enumerate(plan.hacks, 1) if hack.read_once)
    return note("first.read-once", what=what, marks=once) if once else what


def start(result: SetOut) -> Note:
    """The dot to set first, and what the laser reads on every dot where that is one figure."""
    dots = [(screed.x, dot) for screed in result.screeds.screeds for dot in screed.dots]
    first = next(((x, dot) for x, dot in dots if dot.start_here), None)
    said = note("first.no-dot")
    if first is not None:
        at, packing = (first[0], first[1].y), first[1].packing
        said = note("first.dot-unpacked", at) if packing is None else note("first.dot", at, packing=metres(packing))
    read = {round(dot.reading, 4) for _, dot in dots if dot.reading is not None}
    return note("first.dot-laser", dot=said, reading=metres(read.pop())) if len(read) == 1 else said


def _ruled(result: Lows) -> Iterator[FirstLine]:
    """What to shave, then what to fill, and how the worst place stands."""
    yield FirstLine(note("first.shave"), _shave(result.ridges), ("shave",))
    yield FirstLine(note("first.fill"), _fill(result.lows, result.limit, result.doubtful), ("mix",))
    yield FirstLine(note("first.gap"), _largest(result))


def _shave(ridges: tuple[Low, ...]) -> Note:
    if not ridges:
        return note("first.no-ridge")
    first = ridges[0]
    values = {"mark": f"H{first.number}", "height": metres(first.depth)}
    if len(ridges) == 1:
        return note("first.ridge", (first.x, first.y), **values)
    return note("first.ridges", (first.x, first.y), **values, count=len(ridges))


def _fill(lows: Sequence[Low], limit: float, doubtful: Sequence[Low] = ()) -> Note:
    if not lows:
        if not doubtful:
            return note("first.no-low", limit=metres(limit))
        volume = cubic_metres(sum(low.volume for low in doubtful))
        return note("first.none-sure", count=len(doubtful), volume=volume)
    deep = max(lows, key=lambda low: low.depth)
    values = {"mark": f"L{deep.number}", "depth": metres(deep.depth)}
    what = note("first.low", (deep.x, deep.y), **values, volume=cubic_metres(deep.volume))
    if len(lows) > 1:
        volume = cubic_metres(sum(low.volume for low in lows))
        what = note("first.lows", (deep.x, deep.y), **values, count=len(lows), all=volume)
    return what


def _largest(result: Lows | Check) -> Note:
    gap, shown = result.gaps.measured(), result.gaps.judged()
    if gap is None or shown is None:
        return note("first.no-gap")
    return note("first.gap-at", shown.at, gap=gap)


def _checked(result: Check, doubts: tuple[Doubt, ...]) -> Iterator[FirstLine]:
    """What was asked, the decision, the gap and balanced end gap or what else was judged, what was left out."""
    verdict = result.verdict
    yield FirstLine(wall_title(result.seen), asked(result))
    led = bool(doubts) and doubts[0].decides
    others = [one for one in verdict.criteria if not (led and one.decision == "undecided")]
    # what is undecided leads already, the others still have a decision
    if others:
        yield FirstLine(note("first.decision"), decision(verdict, others))
    if (first := verdict.first) is not None and first.judges != "flatness" and first.measured is not None:
        yield FirstLine(titled(first), note("first.gap-alone", gap=first.measured))
    elif led and others:
        yield FirstLine(note("first.gap"), note("first.both", gap=_largest(result), ends=_balanced(result)))
    else:
        yield FirstLine(note("first.gap"), _largest(result))
        yield FirstLine(note("first.balanced"), _balanced(result))
    yield FirstLine(note("first.left-out"), left_out(verdict))


def asked(result: Check) -> Note:
    """The limit that the decision names first, in its one sentence."""
    first = result.verdict.first
    return limit_source(result.tolerance) if first is None else limit_of_criterion(first)


def decision(verdict: Verdict, criteria: list[Criterion]) -> Note:
    """Each criterion's decision, of how much of the wall, and that the test was a restricted one."""
    said = []
    for one in criteria:
        part = of_measured(one, verdict)
        words: Note = note("first.decided", name=titled(one), decision=_word(one))
        words = words if part is None else note("report.on-measured", decision=words, measured=part)
        said.append(as_restricted(words, verdict.restricted, short=True))
    return note("first.left", parts=tuple(said))


def _word(one: Criterion) -> Note:
    codes = {"within": "report.within", "outside": "report.outside"}
    return note(codes.get(one.decision, "report.undecided"))


def _balanced(result: Check) -> Note:
    first, gaps = result.verdict.flatness, result.gaps
    if first is not None and first.other is not None and first.other.measured is not None:
        return note("first.balanced-gap", gap=first.other.measured)
    beside = gaps.said_of(METHODS[2])
    return note("first.no-balanced") if beside is None else note("first.balanced-gap", gap=beside)


def left_out(verdict: Verdict) -> Note:
    """What was not measured, what was not asked for, and what weakened the test."""
    missing = None if verdict.measured is None else 1 - verdict.measured
    parts: list[Said] = []
    if missing is not None:
        code = note("first.all-measured")
        parts.append(code if missing < 1 - ALL else note("first.measured-part", part=share(missing)))
    names = [name for name in verdict.not_judged if isinstance(name, str)]
    parts += [note("report.list-comma", parts=tuple(names))] if names else []
    parts += [note("first.restricted", by=tuple(verdict.restricted))] if verdict.restricted else []
    return note("first.left", parts=tuple(parts))

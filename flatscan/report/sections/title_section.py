"""The cells of a title block: the wall, and the two or three things somebody opens a sheet for."""

from __future__ import annotations

from collections.abc import Iterator

from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, cubic_metres, metres, share
from flatscan.jobs import Change, Lows, Planned, Result, SetOut, SiteWall, Survey
from flatscan.plan.screeds import Screeds
from flatscan.report.limits import limit_in_short, limit_value
from flatscan.report.parts import TitleCell
from flatscan.report.sections.gap_section import as_restricted, of_measured
from flatscan.report.sections.seen_section import wall_name
from flatscan.verdict import Verdict


def title_cells(result: Result) -> tuple[TitleCell, ...]:
    """The wall first; then what it takes and what to do first, or the limit and the decision."""
    return (_wall(result), *_cells(result))


def _cells(result: Result) -> Iterator[TitleCell]:
    if isinstance(result, SetOut):
        yield _build_up(result.plan)
        yield _start(result.screeds, bool(result.plan.cuts))
    elif isinstance(result, Survey):
        yield _build_up(result.plan)
        yield _order(result.plan)
        if isinstance(result, SiteWall) and result.verdict is not None:
            yield _limit(result.verdict)
            yield _decision(result.verdict)
        else:
            yield _first(result.plan)
    elif isinstance(result, Lows):
        yield _shave(result)
        yield _fill(result)
    elif isinstance(result, Change) and result.verdict is None:
        yield from _compared(result)
    else:
        yield _limit(result.verdict)
        yield _decision(result.verdict)


def _compared(found: Change) -> Iterator[TitleCell]:
    """With what it is compared, and what came on or whether two parties agree."""
    yield TitleCell(note("drawing.head-compared"), found.earlier.origin.file, found.difference.alignment.how)
    change, agreement = found.difference, found.agreement
    if found.questions:
        yield TitleCell(note("drawing.head-applied"), note("drawing.to-be-settled"), note("drawing.see-question"))
    elif agreement is not None:
        big = note("drawing.agree" if agreement.agree else "drawing.disagree")
        big = note("drawing.leans-differ") if agreement.agree and agreement.lean_agrees is False else big
        small = note("drawing.agree-on", share=share(1 - agreement.scores.share))
        yield TitleCell(note("drawing.head-agreement"), big, small)
    elif change.mean is None or change.volume is None:
        yield TitleCell(note("drawing.head-applied"), note("drawing.not-known"), note("drawing.untied"))
    else:
        mean, volume = metres(change.mean.value, change.mean.u), cubic_metres(change.volume.value, change.volume.u)
        code = "drawing.volume-placed" if change.whole else "drawing.volume-placed-part"
        yield TitleCell(note("drawing.head-applied"), note("drawing.mean", mean=mean), note(code, volume=volume))


def quote_as(plan: Planned) -> Note | None:
    """That a volume is to be quoted as a range, where the capture leaves it so far open; None where it does not."""
    return next((said for said in plan.notes if said.code in ("plan.quote-as", "plan.quote-usual")), None)


def _wall(result: Result) -> TitleCell:
    wall = result.wall
    size = note("drawing.size", width=metres(wall.width), height=metres(wall.height))
    return TitleCell(note("drawing.head-wall"), wall_name(result.seen), size)


def _build_up(plan: Planned) -> TitleCell:
    built, volume = plan.build_up, Quantity(plan.build_up.volume.value, None, "m3")
    least, mean, most = metres(built.least), metres(built.mean), metres(built.most)
    big, small = (
        note("drawing.least-mean-most", least=least, mean=mean, most=most),
        note("drawing.litres-unsure", volume=volume),
    )
    if built.low is not None and built.high is not None and built.between:
        big = note("drawing.least-unknown-most", least=least, most=most)
        small = note("report.volume-between", low=cubic_metres(built.low), high=cubic_metres(built.high))
    elif built.low is not None and built.high is not None:
        small = note("drawing.litres", volume=volume, low=cubic_metres(built.low), high=cubic_metres(built.high))
    return TitleCell(note("drawing.head-build-up"), big, small)


def _order(plan: Planned) -> TitleCell:
    """Bags of each product in the order they go on, and their names."""
    head, lines = note("drawing.head-order"), [line for line in plan.take_off.order if line.in_bags and line.order > 0]
    if not lines:
        code = "drawing.no-order-yet" if plan.build_up.between else "drawing.no-order"
        return TitleCell(head, note(code), plan.take_off.system)
    counts = " + ".join(str(round(line.order)) for line in lines)
    return TitleCell(head, note("drawing.bags", counts=counts), ", ".join(line.product for line in lines))


def _shave(found: Lows) -> TitleCell:
    head, ridges = note("drawing.head-shave"), found.ridges
    if not ridges:
        return TitleCell(head, note("drawing.no-ridge"), note("drawing.none-proud"))
    big = note("drawing.ridge-of") if len(ridges) == 1 else note("drawing.ridges-of", count=len(ridges))
    first = ridges[0]
    return TitleCell(head, big, note("drawing.ridge-at", mark=f"H{first.number}", height=metres(first.depth)))


def _fill(found: Lows) -> TitleCell:
    head, lows = note("drawing.head-fill"), found.lows
    if not lows:
        return TitleCell(head, note("drawing.no-low"), note("drawing.none-deep", limit=metres(found.limit)))
    volume, deep = cubic_metres(sum(low.volume for low in lows)), max(lows, key=lambda low: low.depth)
    big = note("drawing.low-of", volume=volume)
    if len(lows) > 1:
        big = note("drawing.lows-of", count=len(lows), volume=volume)
    return TitleCell(head, big, note("drawing.low-at", mark=f"L{deep.number}", depth=metres(deep.depth)))


def _start(screeds: Screeds, cut: bool) -> TitleCell:
    """The dot to set first, for the wall as it was measured or as it is cut: a further cut moves every packing."""
    head, uncut = note("drawing.head-start"), note("drawing.uncut")
    for screed in screeds.screeds:
        for dot in screed.dots:
            if dot.start_here and dot.packing is not None:
                at = note("drawing.as-cut-at" if cut else "drawing.uncut-at", (screed.x, dot.y))
                return TitleCell(head, note("drawing.packing", packing=metres(dot.packing)), at)
    return TitleCell(head, note("drawing.first-foot"), uncut)


def _first(plan: Planned) -> TitleCell:
    """What a survey asks to be done before the first coat, and what it saves."""
    head, hacks = note("drawing.head-first"), plan.hacks
    if plan.take_off.stops:
        return TitleCell(head, note("drawing.stop"), note("drawing.see-stop"))
    for thin in plan.take_off.notes:
        if isinstance(thin, Note) and thin.code == "plan.too-thin":
            needs = note("drawing.material-needs", None, wanted=thin.quantities["wanted"])
            return TitleCell(head, note("drawing.more-cover"), needs)
    doubt = quote_as(plan)
    if doubt is not None and (doubt.code == "plan.quote-as" or not hacks):
        said = note("drawing.or-sweep" if doubt.code == "plan.quote-as" else "drawing.or-scan")
        ends = {name: doubt.quantities[name] for name in ("low", "high")}
        return TitleCell(head, note("drawing.quote-as", None, **ends), said)
    if plan.cuts:
        marks = tuple(f"H{number}" for number in plan.cut_numbers)
        return TitleCell(head, note("drawing.cut-these", marks=marks), note("drawing.figures-as-cut"))
    if not hacks:
        return TitleCell(head, note("drawing.nothing-to-cut"), plan.held_by or note("drawing.none-worth"))
    if len(hacks) == 1:
        cut = note("drawing.cut-one")
    else:
        cut = note("drawing.cut-two") if len(hacks) == 2 else note("drawing.cut-to", last=len(hacks))
    return TitleCell(head, cut, note("drawing.saves-so-much", saves=cubic_metres(hacks[-1].saves)))


def _limit(verdict: Verdict | None) -> TitleCell:
    """The limit as entered and where it comes from."""
    head = note("drawing.head-limit")
    first = None if verdict is None else verdict.first
    if first is None:
        return TitleCell(head, note("drawing.no-limit"), note("drawing.none-given"))
    return TitleCell(head, *limit_in_short(first))


def _decision(verdict: Verdict | None) -> TitleCell:
    """The decision in a few big words, always with the criterion's name, and the ± and limit under it."""
    head = note("drawing.head-decision")
    first = None if verdict is None else verdict.first
    if verdict is None or first is None:
        return TitleCell(head, note("drawing.no-limit-entered"), note("drawing.nothing-judged"))
    named = tuple(
        as_restricted(note("drawing.decided", name=c.name, decision=c.decision), verdict.restricted, short=True)
        for c in verdict.criteria
    )
    limit = limit_value(first)
    if first.value is None:
        small = note("drawing.unmeasured-of", name=first.name, limit=limit)
    else:
        value = first.measured
        small = note("drawing.measured-of", name=first.name, value=value, limit=limit)
        if first.other is not None and first.other.measured is not None:
            balanced = first.other.measured
            small = note("drawing.measured-both", value=value, balanced=balanced, limit=limit)
    part = of_measured(first, verdict)
    if part is not None:
        small = note("drawing.of-measured", said=small, measured=part)
    return TitleCell(head, note("report.list", parts=named), small)

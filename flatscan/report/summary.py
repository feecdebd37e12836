"""One screen of words: what the wall needs, what sets it, how to build it up, what to order, whether it passes."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from flatscan.jobs import Result
from flatscan.report import change_words, more_tables, tables, words
from flatscan.report.say import say, spoken
from flatscan.report.view import Findings, findings_of
from flatscan.verdict import Criterion

WIDTH = 79
_HACKS, _REASONS, _SCREEN, _ALWAYS = 3, 2, 24, 2


def summary(result: Result | Findings, units: str = "mm") -> str:
    """The findings in words for one screen, in ``units`` "mm" or "in"; ends with a line break.

    Stop signs and cautions stand before what they warn of; the last line says what was not examined.
    """
    findings = spoken(findings_of(result), units)
    body = [line for text in _sentences(findings, units) for line in _lines(text)]
    tail = [line for text in _last(findings, units) for line in _lines(text)]
    return "\n".join([*body, *_warnings(findings, _SCREEN - len(body) - len(tail)), *tail]) + "\n"


def _lines(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent="  ", break_long_words=True)


def _sentences(findings: Findings, units: str) -> Iterator[str]:
    yield _opening(findings, units)
    yield from _first(findings, units)
    yield from change_words.sentences(findings, units)
    yield from _build_up(findings, units)
    yield from _hacking(findings, units)
    yield from _order(findings, units)
    yield from more_tables.sentences(findings, units)
    yield from _set_out(findings, units)
    yield from _lows(findings, units)
    yield from _decision(findings, units)


def _last(findings: Findings, units: str) -> Iterator[str]:
    # the sentence about stop signs has said already what no survey of a shape can see
    rest = words.not_examined(findings, units, always=findings.take_off is None or bool(findings.take_off.stops))
    if rest:
        yield f"{'Not examined' if rest[0] == words.NEVER else 'Also not examined'}: {'; '.join(rest)}."


def _warnings(findings: Findings, room: int) -> list[str]:
    """As many warnings as the screen has lines for, two at least, and how many more there are.

    What the reader doubts comes first: a mistyped reading explains much of what stands above.
    """
    told = list(dict.fromkeys(findings.warnings))
    lines: list[str] = []
    for number, text in enumerate(told):
        more = _lines(f"Mind: {words.sentence(text)}")
        if number >= _ALWAYS and len(lines) + len(more) + (number + 1 < len(told)) > max(room, 1):
            return [*lines, f"Mind: {len(told) - number} more in capture.warnings of result.json."]
        lines += more
    return lines


def _opening(findings: Findings, units: str) -> str:
    wall, relief = findings.wall, findings.relief
    size = f"{words.length(wall.width, units)} x {words.length(wall.height, units)}"
    lean = f"top {words.signed(findings.shape.lean_height, units)}" if findings.shape.lean_height else "plumb"
    return (
        f"{words.wall_name(findings)} ({findings.origin.file}): {size}, {words.area(relief.net_area, units)} net, "
        f"{relief.covered_share * 100:.0f} % measured; {lean} over its height."
    )


def _first(findings: Findings, units: str) -> Iterator[str]:
    """What stands before all quantities: the warning of what was surveyed, stop signs, cautions."""
    order = findings.take_off
    if order is not None:
        yield from (say(order.lead, units),) if order.surface != "bare" and order.lead is not None else ()
        yield from words.stops(findings) or (words.sentence(words.NO_STOP),)
    yield from words.beside_stops(findings, units)


def _build_up(findings: Findings, units: str) -> Iterator[str]:
    built = findings.build_up
    if built is None:
        return
    volume = words.volume(built.volume.value, built.volume.u, units)
    yield (
        f"Build-up ({say(built.plane.rule, units)}): least {words.length(built.least, units, decimals=1)}, "
        f"mean {words.length(built.mean, units, decimals=1)}, most {words.length(built.most, units, decimals=1)}; "
        f"{volume} before waste."
    )


def _hacking(findings: Findings, units: str) -> Iterator[str]:
    hacks = findings.hacks
    if hacks is None:
        return
    if not hacks:
        rests = tables.resting(findings)
        where = f" the wall itself at {words.place(rests[0], units)};" if rests else ""
        yield f"What sets it:{where} no hump is worth cutting."
        return
    for number, hack in enumerate(hacks[:_HACKS], 1):
        head = "What sets it: H1" if number == 1 else f"  then H{number}"
        bags = "" if hack.saves_bags is None else f", {hack.saves_bags:.1f} bags"
        yield (
            f"{head} at {words.place((hack.x, hack.y), units)}; cut {words.length(hack.cut, units, decimals=1)}: saves "
            f"{words.volume(hack.saves, 0.0, units)}{bags}{' in all' if number > 1 else ''}."
        )


def _order(findings: Findings, units: str) -> Iterator[str]:
    order = findings.take_off
    if order is None:
        return
    coats = ", then ".join(f"{say(c.name, units)} {words.length(c.thickness, units, decimals=1)}" for c in order.coats)
    if coats:
        yield f"Coats ({order.system}): {coats}."
    yield from (words.sentence(note) for note in order.notes)
    if order.weight is not None and order.weight_worst is not None:
        worst = words.load(order.weight_worst, units)
        yield f"Added weight: {words.mass(order.weight, units)} in all, {worst} at its worst."
    if order.bags is not None:
        span = order.bags_range
        wanted = "" if span is None else f"{span[0]:.1f} to {span[1]:.1f} bags wanted, "
        days = "" if order.days is None else f" About {order.days:.1f} days."
        yield f"Order: {wanted}order {order.bags} ({order.waste_share * 100:.0f} % waste in it).{days}"


def _set_out(findings: Findings, units: str) -> Iterator[str]:
    laid = findings.set_out
    if laid is None:
        return
    at = ", ".join(words.bare(screed.x, units) for screed in laid.screeds)
    unit = " mm" if units == "mm" else ""
    yield f"Screeds for a {words.length(laid.rule, units)} straightedge at {at}{unit} from the left."
    starts = [(s.x, d) for s in laid.screeds for d in s.dots if d.start_here]
    for x, dot in starts[:1]:
        yield f"Start at the dot {words.place((x, dot.y), units)}: packing {words.length(dot.packing, units)}."
    yield from (say(note, units) for note in laid.notes)


def _lows(findings: Findings, units: str) -> Iterator[str]:
    found = findings.lows
    if found is None:
        return
    for ridge in findings.ridges[:_HACKS]:
        tall = words.length(ridge.depth, units, decimals=1)
        yield f"  H{ridge.number}: shave a ridge of {tall} at {words.place((ridge.x, ridge.y), units)} first."
    if not found:
        yield "No low spot over the limit."
        return
    total = sum(low.volume for low in found)
    yield f"Low spots: {len(found)}, {words.volume(total, 0.0, units, decimals=2)} to fill."
    for low in found[: _HACKS * 2]:
        deep = words.length(low.depth, units, decimals=1)
        fill = words.volume(low.volume, 0.0, units, decimals=2)
        yield f"  L{low.number}: {deep} deep at {words.place((low.x, low.y), units)}, {fill}."


def _decision(findings: Findings, units: str) -> Iterator[str]:
    verdict = findings.verdict
    if verdict is None:
        yield from _gap(findings, units)
        return
    for criterion in verdict.criteria:
        yield judged(findings, criterion, units)
    yield from (words.sentence(reason) for reason in verdict.reasons[:_REASONS])
    if verdict.check_by_hand:
        places = "; ".join(words.place(at, units) for at in verdict.check_by_hand[:3])
        yield f"Check by hand: {places}."
    yield words.RECORD


def _gap(findings: Findings, units: str) -> Iterator[str]:
    worst = None if findings.gaps is None else findings.gaps.worst
    if findings.gaps is None or worst is None:
        return
    yield (
        f"Flatness: largest gap {words.quantity(worst.value, worst.u, units)} under a "
        f"{words.length(findings.gaps.rule, units)} straightedge, {words.place(worst.at, units)}; no limit was given."
    )


def judged(findings: Findings, criterion: Criterion, units: str) -> str:
    """One criterion's decision in one sentence, always with its ± and its limit."""
    u = words.criterion_u(findings, criterion.name)
    found = "could not be measured" if criterion.value is None else words.quantity(criterion.value, u, units)
    where = ""
    if criterion.name == "flatness" and findings.gaps is not None:
        edge = words.length(findings.gaps.rule, units)
        where = f" under a {edge} straightedge"
        shown = findings.gaps.judged()
        where += "" if shown is None else f", {words.place(shown.at, units)}"
    named = f"{criterion.name.capitalize()} {words.DECISIONS.get(criterion.decision, criterion.decision)}"
    return f"{named}: {found}{where}; limit {words.length(criterion.limit, units, decimals=1)}."

"""Answers in one line each, and what a tick in the hacking list changes; every number is formatted by the sheets."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from flatscan.core.units import slope_text
from flatscan.desk.bench import Cut
from flatscan.plan.hacking import Hack
from flatscan.report import facts, tables, words
from flatscan.report.say import say
from flatscan.report.view import Findings

Line = tuple[str, str]
_KNOWN = "; plumb known from:"


def answers(found: Findings, units: str) -> list[Line]:
    """Question and answer, the one that matters most to this job first."""
    made = [*_decided(found, units), *_stuff(found, units), *_set_out(found, units), *_lows(found, units)]
    return [*made, *_shape(found, units)]


def _decided(found: Findings, units: str) -> Iterator[Line]:
    if found.verdict is None:
        return
    for criterion in found.verdict.criteria:
        name = "flat" if criterion.name.startswith("flatness") else criterion.name
        yield f"Is it {name}?", words.judged(found, criterion, units)
    for reason in found.verdict.reasons[:2]:
        yield "Why?", words.sentence(reason)
    if found.verdict.check_by_hand:
        places = "; ".join(words.place(at, units) for at in found.verdict.check_by_hand[:3])
        yield "Where to lay a straightedge by hand?", words.sentence(places)


def _stuff(found: Findings, units: str) -> Iterator[Line]:
    built, order = found.build_up, found.take_off
    if built is None or order is None:
        return
    # a set-out asks where, not how much
    ordered = dict(facts.order(found, units))
    if found.set_out is None:
        if "Bags" in ordered:
            yield "How many bags?", words.sentence(ordered["Bags"])
        yield from (("Mind", words.sentence(note)) for note in words.order_notes(found) if order.bags is None)
    thick = dict(facts.build_up(found, units))
    yield "How thick, plumb?", f"Least {thick['Least']}, mean {thick['Mean']}, most {thick['Most']}."
    yield "How much stuff?", words.sentence(thick["Volume"])
    if found.set_out is not None:
        return
    yield "Which hump sets it?", hump(found, units)
    coats = ", then ".join(f"{say(c.name, units)} {words.length(c.thickness, units, decimals=1)}" for c in order.coats)
    if coats:
        yield "In which coats?", words.sentence(coats)
    if ordered["Days"] != "not known":
        yield "How long for one person?", words.sentence(f"{ordered['Days']} days")


def hump(found: Findings, units: str) -> str:
    """Which hump governs and what cutting it saves, or why none is worth it."""
    if found.hacks:
        first = found.hacks[0]
        saves = words.volume(first.saves, 0.0, units, decimals=1)
        cut = words.length(first.cut, units, decimals=1)
        return f"H1, {words.place((first.x, first.y), units)}: cut {cut}, saves {saves}."
    rests = tables.resting(found)
    where = f"The wall itself, {words.place(rests[0], units)}; no" if rests else "No"
    return f"{where} hump is worth cutting."


def _set_out(found: Findings, units: str) -> Iterator[Line]:
    laid = found.set_out
    if laid is None:
        return
    places = ", ".join(words.length(screed.x, units) for screed in laid.screeds)
    yield "Where do the screeds stand?", f"{len(laid.screeds)} screeds, from the left: {places}."
    for screed in laid.screeds:
        for dot in screed.dots:
            if dot.start_here:
                at = words.place((screed.x, dot.y), units)
                yield "Where to start?", f"At the dot {at}: packing {words.length(dot.packing, units)}."
    yield from (("Mind", words.sentence(note)) for note in laid.notes)


def _lows(found: Findings, units: str) -> Iterator[Line]:
    if found.lows is None:
        return
    for ridge in found.ridges[:3]:
        tall = words.length(ridge.depth, units, decimals=1)
        yield f"Shave first (H{ridge.number})", f"A ridge of {tall}, {words.place((ridge.x, ridge.y), units)}."
    total = words.volume(sum(low.volume for low in found.lows), 0.0, units, decimals=2)
    yield "How many low spots?", f"{len(found.lows)}, {total} to fill." if found.lows else "None over the limit."
    for low in found.lows[:5]:
        deep = words.length(low.depth, units, decimals=1)
        yield f"Fill L{low.number}", f"{deep} deep, {words.place((low.x, low.y), units)}."


def _shape(found: Findings, units: str) -> Iterator[Line]:
    told = dict(facts.wall(found, units))
    yield "Is it plumb now?", words.sentence(told["Lean"].partition(_KNOWN)[0])
    worst = None if found.gaps is None else found.gaps.judged()
    if found.verdict is None and found.gaps is not None and worst is not None:
        gap = words.quantity(abs(worst.value), worst.u, units)
        yield (
            "How flat is it now?",
            (
                f"Largest gap {gap} under a {words.length(found.gaps.rule, units)} straightedge, "
                f"{words.place(worst.at, units)}."
            ),
        )
    yield "How much was measured?", words.sentence(told["Measured"])


def plumb_from(found: Findings, units: str) -> str:
    """How plumb is known, in a sentence."""
    told = dict(facts.wall(found, units))["Lean"]
    return words.sentence(f"{_KNOWN.strip('; ')} {told.partition(_KNOWN)[2]}")


def after_cutting(cut: Cut, units: str) -> list[Line]:
    """What the ticked humps change: savings, thickness, litres, order and where the face stands."""
    built, order = cut.chosen.build_up, cut.order
    mean, most = (words.length(value, units, decimals=1) for value in (built.mean, built.most))
    bags = "not known" if order.bags is None else f"{order.bags}"
    return [
        ("Saves", words.volume(cut.chosen.saves, 0.0, units, decimals=1)),
        ("Litres" if units == "mm" else "Stuff", words.volume(built.volume.value, built.volume.u, units)),
        ("Bags to order", bags),
        ("Mean", mean),
        ("Most", most),
        ("Face at the left foot", words.length(built.plane.at_left_foot, units, decimals=1)),
        ("Face leans, turns", f"{slope_text(built.plane.lean, units)}, {slope_text(built.plane.turn, units)}"),
    ]


def humps(hacks: Sequence[Hack], units: str) -> list[dict[str, str]]:
    """The hacking list for ticking: mark, place (also in metres, as its key), and cut in words."""
    return [
        {
            "mark": f"H{number}", "key": f"{hack.x:.4f},{hack.y:.4f}", "where": words.place((hack.x, hack.y), units),
            "cut": words.length(hack.cut, units, decimals=1), "saves": words.volume(hack.saves, 0.0, units, decimals=1),
        }
        for number, hack in enumerate(hacks, 1)
    ]  # fmt: skip

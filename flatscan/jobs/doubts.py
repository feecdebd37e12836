"""What could be wrong with an answer: every doubt with what settles it, the heaviest first, for all sheets.

A doubt decides where the answer is of no use until it is settled: a reading that its neighbours deny, a laser that
moved, much of the wall unread, two surfaces, an error larger than the number. The limits are common practice, chosen so
that a quote which may be twice as high is not given as a quote.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, cubic_metres, metres, share
from flatscan.jobs.results import Change, Check, Lows, LowsByHand, Result, SetOut, Survey
from flatscan.plan.hacking import AT_STATION

# of less than this share of a wall [by area] nobody is told a price or a packing
ENOUGH_MEASURED = 0.75
# readings between which nothing was swept: a volume that may be this many times as high is no quote
MOST_BETWEEN = 1.5
# any other volume that may be off by more than itself is none
MOST_OFF = 2.0
# a volume this sure needs no word
_SURE = 1.15
# a packing this good needs no word [m]
_GOOD_DOT = 0.0015
_UNREAD = ("grid.one-not-read", "grid.not-read", "grid.not-read-and-more")
_CUT_OFF = ("grid.cut-off", "grid.short-row")
_SIDES = {"wall.facing-assumed": "doubt.side-assumed", "wall.seen-from-against": "doubt.side-against"}
_PLUMB = ("plan.setout-plumb", "plan.setout-plumb-unknown")
_QUOTES = ("plan.quote-as", "plan.quote-usual")
_VOLUME_UNKNOWN = ("plan.volume-plumb-unstated", "plan.volume-few-stations")
# reasons of a verdict that say what would decide, the surest first, and how that is said in few words
_WOULD = {
    "verdict.repeats-or-tie": "doubt.repeats",
    "verdict.better-or-tie": "doubt.better",
    "verdict.raw-scan-would": "doubt.raw-scan",
    "verdict.times-the-points": "doubt.times-the-points",
    "verdict.far-more-points": "doubt.far-more-points",
    "verdict.more-points-a-cell": "doubt.closer",
    "verdict.scan-would": "doubt.scanned",
    "verdict.known-u-would": "doubt.known-capture",
    "verdict.measure-rest": "doubt.rest-is-measured",
    "verdict.straightedge-would": "doubt.by-hand",
}
# reasons that lie in the limit and not in the wall: the same in few words, and what settles it
_OF_THE_LIMIT = {
    "verdict.from-memory": ("doubt.limit-from-memory", "doubt.limit-is-read"),
    "verdict.one-place": ("doubt.limit-one-place", "doubt.limit-is-read"),
    "verdict.each-storey": ("doubt.several-storeys", "doubt.each-storey"),
    "verdict.beyond-lengths": ("doubt.limit-ends", "doubt.limit-is-agreed"),
}
# what of their quantities is said again
_KEPT = ("repeats", "times")


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something that could be wrong: ``said``, and ``settle``, what must be so for it to be settled.

    ``decides``: until then the answer is of no use. ``acts``: it changes what is to be done, shown first or not.
    ``stands_for`` are the notes of the result that it says in short, ``whole`` is a sentence of its own for the lead.
    """

    said: Note
    settle: Note
    decides: bool = False
    acts: bool = False
    stands_for: tuple[Note, ...] = ()
    whole: Note | None = None


def doubts_of(result: Result, notes: Iterable[object]) -> tuple[Doubt, ...]:
    """All doubts of a result whose ``notes`` are all that is said beside it, the heaviest first."""
    told = tuple(said for said in notes if isinstance(said, Note))
    found = [
        *_asked(result),
        *_built(result, told),
        *_comes_off(result),
        *_too_thin(result),
        *_readings(result, told),
        *_laser(told),
        *_doubled(result, told),
        *_half(result, told),
        *_answer(result, told),
    ]
    found += [*_objects(told), *_one_reading(result, told), *_side(told), *_type(told), *_between(result, told)]
    return tuple(sorted(found, key=lambda doubt: not doubt.decides))


def _asked(result: Result) -> Iterator[Doubt]:
    """What somebody must answer before two surveys are compared."""
    for one in result.questions if isinstance(result, Change) else ():
        yield Doubt(one.said, one.settle, True, True, (one.said,))


def _built(result: Result, told: tuple[Note, ...]) -> Iterator[Doubt]:
    """A plan that cannot be built: all figures are those of the nearest that can."""
    if isinstance(result, (Survey, SetOut)) and result.plan.cannot is not None:
        whole = tuple(said for said in told if said.code == "plan.cannot")
        yield Doubt(whole[0], note("doubt.plan-changed"), True, True, whole, whole[0])


def _comes_off(result: Result) -> Iterator[Doubt]:
    """Old plaster comes off first: nobody has seen the wall that is planned on."""
    if isinstance(result, (Survey, SetOut)) and result.plan.take_off.surface == "comes-off":
        lead = result.plan.take_off.lead
        if lead is not None:
            yield Doubt(lead, note("doubt.bared"), True, True, (lead,), lead)


def _too_thin(result: Result) -> Iterator[Doubt]:
    """A least build-up under what the material system needs: its order and packing build nothing that holds."""
    if isinstance(result, (Survey, SetOut)) and result.plan.cannot is None:
        take_off = result.plan.take_off
        for said in take_off.notes:
            if isinstance(said, Note) and said.code == "plan.too-thin":
                least, wanted = said.quantities["least"], said.quantities["wanted"]
                thin = note("doubt.too-thin", None, least=least, wanted=wanted, system=take_off.system)
                yield Doubt(thin, note("doubt.thick-enough", None, wanted=wanted), True, True, (said,))


def _readings(result: Result, told: tuple[Note, ...]) -> Iterator[Doubt]:
    """Readings that the others make unlikely, and readings that may be in another unit."""
    hangs = result.hangs if isinstance(result, Survey) else None
    for number, one in enumerate(result.seen.doubted):
        at = (one.x, one.y)
        said = note("doubt.reading", at, reading=metres(one.reading), expected=metres(round(one.expected, 3)))
        if one.meant is not None:
            meant = metres(round(one.meant, 5))
            said = note("doubt.reading-meant", at, reading=metres(one.reading), meant=meant)
        same = tuple(note for note in told if note.code == "grid.station" and note.place == at)
        yield Doubt(said, note("doubt.read-again"), True, True, same, hangs if number == 0 else None)
    for said in told:
        if said.code in _CUT_OFF:
            row = note("doubt.cut-off", line=said.quantities["line"])
            yield Doubt(row, note("doubt.row-whole"), said.code == "grid.cut-off", True, (said,))
        if said.code == "grid.range":
            middle = note("doubt.unit", middle=said.quantities["middle"], unit=said.quantities["unit"])
            whole = None if result.seen.doubted else hangs
            yield Doubt(middle, note("doubt.unit-settled"), True, True, (said,), whole)


def _laser(told: tuple[Note, ...]) -> Iterator[Doubt]:
    for said in told:
        if said.code == "grid.control-moved":
            moved = note("doubt.laser-moved", apart=said.quantities["apart"])
            yield Doubt(moved, note("doubt.all-read-again"), True, True, (said,))


def _doubled(result: Result, told: tuple[Note, ...]) -> Iterator[Doubt]:
    apart = result.relief.doubled
    if apart is not None:
        same = tuple(said for said in told if said.code == "relief.doubled")
        settle = note("doubt.scanned-once" if same else "doubt.one-left-out")
        yield Doubt(note("doubt.doubled", apart=metres(apart)), settle, True, True, same)


def _half(result: Result, told: tuple[Note, ...]) -> Iterator[Doubt]:
    """Much of the wall was not measured: readings not taken, or a scan that did not see it."""
    missing = 1 - result.relief.covered_share
    unread = next((said for said in told if said.code in _UNREAD), None)
    if unread is not None:
        many, every = int(str(unread.quantities["many"])), int(str(unread.quantities["all"]))
        decides = max(missing, many / every) > 1 - ENOUGH_MEASURED
        said = note("doubt.unread", many=many, all=every)
        if decides:
            yield Doubt(said, note("doubt.they-are-read"), True, True, (unread,))
    elif missing > 1 - ENOUGH_MEASURED and not isinstance(result, Check):
        said = note("doubt.measured", measured=share(1 - missing))
        yield Doubt(said, note("doubt.rest-is-measured"), True, True)


def _answer(result: Result, told: tuple[Note, ...]) -> Iterator[Doubt]:
    """How far the answer itself may be off."""
    if isinstance(result, (Survey, SetOut)):
        if isinstance(result, SetOut):
            yield from _dots(result)
        yield from _volume(result, told)
    elif isinstance(result, Lows):
        yield from _gap(result)
    elif isinstance(result, Check):
        yield from _undecided(result)
    elif isinstance(result, Change):
        yield from _compared(result, told)


def _compared(result: Change, told: tuple[Note, ...]) -> Iterator[Doubt]:
    """Nothing ties the surveys, part of the wall is in one only, one coordinate system was assumed, thick or thin."""
    change, mean = result.difference, result.difference.mean
    by_code = {said.code: (said,) for said in told}
    if mean is None:
        yield Doubt(note("doubt.untied"), note("doubt.tied-together"), False, True, by_code.get("compare.untied", ()))
    if not change.whole:
        partly = note("doubt.compared", compared=share(change.compared_share))
        yield Doubt(partly, note("doubt.rest-is-measured"), False, True, by_code.get("compare.part-only", ()))
    if result.agreement is not None or mean is None or mean.u is None:
        return
    if 2 * mean.u > abs(mean.value):
        yield Doubt(note("doubt.thickness", mean=metres(mean.value, mean.u)), note("doubt.tied-surer"), False, True)
    if "jobs.one-frame-assumed" in by_code:
        yield Doubt(note("doubt.one-frame"), note("doubt.frame-said"), False, True, by_code["jobs.one-frame-assumed"])
    for said in result.not_judged[:1]:
        yield Doubt(note("doubt.cannot-tell", what=said), note("doubt.site-says"))


def _volume(result: Survey | SetOut, told: tuple[Note, ...]) -> Iterator[Doubt]:
    """Litres that may be many more: no quote; where dots are set their own ± counts."""
    built, sets_out, stations = result.plan.build_up, isinstance(result, SetOut), not result.relief.known_between
    value, low, high = built.volume.value, built.low, built.high
    if low is None or high is None:
        unknown = tuple(said for said in told if said.code in _VOLUME_UNKNOWN)
        yield Doubt(note("doubt.volume-unknown"), note("doubt.plumb-is-known"), False, False, unknown)
        return
    if value <= 0 or high <= _SURE * value or built.between:
        return
    # two codes for one thing: a whole line of its own where readings stand alone
    quote = tuple(said for said in told if said.code in _QUOTES)
    unswept = stations and bool(quote)
    most = MOST_BETWEEN if unswept else MOST_OFF
    said = note("doubt.high-spots" if unswept else "doubt.volume", volume=cubic_metres(value), high=cubic_metres(high))
    settle = note("doubt.swept" if unswept else "doubt.tied")
    ends = {name: quote[0].quantities[name] for name in ("low", "high")} if unswept else {}
    whole = note("doubt.quote-range", None, **ends) if unswept else None
    yield Doubt(said, settle, high > most * value and not sets_out, not sets_out and unswept, quote, whole)


def _dots(result: SetOut) -> Iterator[Doubt]:
    """Packings that are not known, or not as well as a dot can be set."""
    for said in result.screeds.notes:
        if said.code in _PLUMB:
            yield Doubt(note("doubt.only-foot"), note("doubt.tied-or-plumbed"), False, True, (said,))
    spread = [dot.u for screed in result.screeds.screeds for dot in screed.dots if dot.u is not None]
    if spread and 2 * max(spread) > _GOOD_DOT:
        settle = note("doubt.tied") if result.relief.known_between else note("doubt.read-there")
        yield Doubt(note("doubt.dots", u=metres(0.0, max(spread))), settle)


def _gap(result: Lows) -> Iterator[Doubt]:
    """Hollows no deeper than the capture's own error."""
    worst = result.gaps.worst
    if worst is None or worst.u is None:
        return
    if 2 * worst.u > abs(worst.value):
        deep = metres(abs(worst.value), worst.u)
        yield Doubt(note("doubt.gap-unsure", gap=deep), note("doubt.tied-or-by-hand"), True, True)
    elif 2 * worst.u > result.limit:
        yield Doubt(note("doubt.shallow", u=metres(0.0, worst.u)), note("doubt.tied-or-by-hand"))


def _undecided(result: Check) -> Iterator[Doubt]:
    """Why the first criterion that is undecided is so, and what would decide it."""
    for criterion in result.verdict.criteria:
        if criterion.decision != "undecided":
            continue
        reasons = [_plain(reason) for reason in criterion.reasons if isinstance(reason, Note)]
        why = next((reason for reason in reasons if reason.code not in _WOULD), note("doubt.no-reason"))
        if why.code == "verdict.cannot-show":
            why = note("doubt.too-coarse", u=_spread(why.quantities["u"]), limit=why.quantities["limit"])
        settle = note("doubt.rest-is-measured") if why.code == "verdict.coverage" else _would(reasons)
        if settle.code == "doubt.by-hand" and criterion.judges == "plumb":
            # no straightedge shows how far a wall leans
            settle = note("doubt.plumb-is-known")
        if why.code in _OF_THE_LIMIT:
            why, settle = (note(code) for code in _OF_THE_LIMIT[why.code])
        said = note("doubt.undecided", name=criterion.name, why=why)
        yield Doubt(said, settle, result.verdict.decision == "undecided", True)
        return


def _spread(u: object) -> Quantity:
    """A standard uncertainty told as such, as the spread it makes."""
    assert isinstance(u, Quantity)
    return metres(0.0, u.value)


def _would(reasons: list[Note]) -> Note:
    """What would decide, the surest way where several are named."""
    for code, short in _WOULD.items():
        for reason in reasons:
            if reason.code == code:
                kept = {name: value for name, value in reason.quantities.items() if name in _KEPT}
                return note(short, None, **kept)
    return note("doubt.by-hand")


def _plain(reason: Note) -> Note:
    """A reason without the name of its criterion."""
    inner = reason.quantities.get("reason")
    return inner if reason.code == "verdict.of" and isinstance(inner, Note) else reason


def _objects(told: tuple[Note, ...]) -> Iterator[Doubt]:
    for said in told:
        if said.code == "jobs.plan-both-ways":
            values = {name: said.quantities[name] for name in ("objects", "volume", "other_volume")}
            yield Doubt(note("doubt.objects", None, **values), note("doubt.looked-at"), False, True, (said,))


def _one_reading(result: Result, told: tuple[Note, ...]) -> Iterator[Doubt]:
    """A hump in the plane's way that one reading alone shows: a slip of 10 mm reads alike."""
    if not isinstance(result, (Survey, SetOut)) or AT_STATION not in told:
        return
    settle, stands = note("doubt.swept-at-it"), (AT_STATION,)
    alone = [(hack.number or k, hack) for k, hack in enumerate(result.plan.hacks, 1) if hack.read_once]
    for number, hack in alone[:1]:
        yield Doubt(note("doubt.one-reading", (hack.x, hack.y), mark=f"H{number}"), settle, False, True, stands)
    if not alone:
        yield Doubt(note("doubt.one-reading-cut"), settle, False, True, stands)


def _side(told: tuple[Note, ...]) -> Iterator[Doubt]:
    for said in told:
        if said.code in _SIDES:
            yield Doubt(note(_SIDES[said.code]), note("doubt.side-said"), False, True, (said,))


def _type(told: tuple[Note, ...]) -> Iterator[Doubt]:
    for said in told:
        if said.code == "jobs.type-not-stated":
            values = {name: said.quantities[name] for name in ("type", "warp", "rule")}
            yield Doubt(note("doubt.type", None, **values), note("doubt.type-said"), False, False, (said,))


def _between(result: Result, told: tuple[Note, ...]) -> Iterator[Doubt]:
    """Nothing was read between stations."""
    if not result.relief.known_between and not isinstance(result, Check):
        alone = tuple(said for said in told if said.code == "straightedge.stations-only")
        yield Doubt(note("doubt.between"), note("doubt.swept-there"), False, False, alone)


def doubts_by_hand(found: LowsByHand) -> tuple[Doubt, ...]:
    """All doubts of lows that were written down by hand, the heaviest first."""
    cut = tuple(said for said in found.notes if said.code == "table.no-line-end")
    rows = (Doubt(note("doubt.no-line-end"), note("doubt.table-whole"), False, True, cut),) if cut else ()
    return (*rows, Doubt(note("doubt.bowls"), note("doubt.ruled-again")))


def leads(result: Result) -> str:
    """What cannot be done until a doubt that decides is settled: quote, set out, fill, decide, compare."""
    names = {Survey: "quote", SetOut: "set-out", Lows: "fill", Check: "decide", Change: "compare"}
    return next(name for kind, name in names.items() if isinstance(result, kind))


def hangs_on_readings(result: Survey | SetOut) -> bool:
    """Whether what is planned hangs on readings in doubt: one that others deny, another unit, a laser that moved.

    Also on a file that was cut off, and on which of two surfaces in a scan is the wall.
    """
    codes = {"grid.range", "grid.control-moved", "grid.cut-off"}
    return (
        bool(result.seen.doubted)
        or result.relief.doubled is not None
        or any(said.code in codes for said in result.notes)
    )

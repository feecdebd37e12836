"""The program of a wall, from the first cut to the paint: zones to fill, steps with amounts, times and actions."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

from flatscan.core.errors import BadValue
from flatscan.core.model import Counts, Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import cubic_metres, days, hours, metres, share
from flatscan.plan.coats import Pass
from flatscan.plan.cutting import Cut
from flatscan.plan.dots import Screeds
from flatscan.plan.finish import BuildUp
from flatscan.plan.labour import Hands, hours_per_m3, opens, worked
from flatscan.plan.materials import Coat, Range, System, middle
from flatscan.plan.takeoff import TakeOff
from flatscan.plan.zones import Zone, filled_apart, passes_of, zones_of

# what may begin at any moment of work takes so long [h]
_MOMENT = 1e-6
# one dot takes so long to set, one screed of strips [h], and both no more than this part of the base coats' hours,
# which hold the setting out (common practice)
_DOT, _STRIP, _MOST_SETTING = 4 / 60, 10 / 60, 0.4
# what may hurt at every step on the wall, at which plaster is mixed, and at which it is put on
_ON_WALL = ("strip", "cover", "height")
_MIXED = ("mix", "lift")
_PUT_ON = (*_ON_WALL, "load")
# times from here on [h] are said in hours, and in days
_IN_HOURS, _IN_DAYS = 1.0, 48.0
_HAIR = 1e-9
# less than this of a bag is not worth saying
_LEAST_BAGS = 0.05
_START = re.compile(r"([01]?[0-9]|2[0-3])[:.h]([0-5][0-9])")


@dataclass(frozen=True, slots=True)
class Line:
    """What is said at a step, and how sure its figures are: one of `plan.materials.TAGS`, empty for what is no figure.

    ``mixes`` are when each mix is made and by when it must be used [h after work starts].
    """

    said: Note
    tag: str = ""
    mixes: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Step:
    """One step: its ``code``, what is done, with amounts, and when it begins and ends [h after work starts].

    ``ends`` is None for what is waited for and has no end. ``before`` is said before it, and so are the cautions of its
    ``actions`` (`plan.cautions`), the first time that one of them is done.
    """

    code: str
    does: Note
    begins: float
    ends: float | None
    lines: tuple[Line, ...] = ()
    before: tuple[Note, ...] = ()
    actions: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Day:
    """The steps of a wall, the zones filled first with the number (rows, cols) of each cell's, 0 for none, and screeds.

    ``cuts`` are the humps cut first, ``numbers`` theirs. ``start`` is the time of day work begins [h], None where it
    was not given; ``reads`` [m] is what the laser reads on every dot, None where they differ or nothing is known.
    """

    steps: tuple[Step, ...]
    zones: tuple[Zone, ...]
    zone_of: Counts
    cuts: tuple[Cut, ...]
    numbers: tuple[int, ...]
    screeds: Screeds | None
    start: float | None = None
    reads: float | None = None


def start_of(text: str | None) -> float | None:
    """A time of day such as 7:30 in hours; None for None. Raises `BadValue` for other words."""
    if text is None:
        return None
    found = _START.fullmatch(text.strip())
    if found is None:
        raise BadValue(
            "{set:start}", "'{start}'", needed="a time of day such as 7:30", remedy="Write hours:minutes", start=text
        )
    return int(found[1]) + int(found[2]) / 60


def program(
    system: System,
    build_up: BuildUp,
    relief: Relief,
    take: TakeOff,
    *,
    screeds: Screeds | None = None,
    cuts: tuple[Cut, ...] = (),
    numbers: tuple[int, ...] | None = None,
    start: float | None = None,
    pockets: float = 0.0,
    unsized: bool = False,
    unread: int = 0,
    hands: Hands | None = None,
) -> Day | None:
    """The program of a wall in one material system; None where its coats cannot reach.

    ``relief`` is the wall that the build-up stands on, ``pockets`` [m3] what fills those first and ``unread`` how many
    were not read, ``start`` the time of day [h] at which work begins, ``unsized`` that a hump to cut was read at one
    station only. Times are those of one person, whose ``hands`` may be taken by other walls, waits at their shortest
    (methods/trade 9 and 10).
    """
    if take.labour is None or not take.coats:
        return None
    passes = passes_of(system, build_up, relief)
    area = relief.area[relief.valid]
    numbers = tuple(range(1, len(cuts) + 1)) if numbers is None else numbers
    zone_of, zones = zones_of(system, build_up, relief)
    local = [filled_apart(p, area) for p in passes]
    chased = pockets, unread
    laid = zones, screeds, cuts, numbers
    maker = _Maker(system, take, passes, local, *laid, build_up.most, *chased, unsized, hands or Hands())
    reads = None if screeds is None else screeds.reads
    return Day(tuple(maker.steps()), zones, zone_of, cuts, numbers, screeds, start, reads)


@dataclass(frozen=True, eq=False)
class _Maker:
    """What the steps are made of; ``local`` says of each pass whether it is filled as zones."""

    system: System
    take: TakeOff
    passes: tuple[Pass, ...]
    local: list[bool]
    zones: tuple[Zone, ...]
    screeds: Screeds | None
    cuts: tuple[Cut, ...]
    numbers: tuple[int, ...]
    most: float
    pockets: float
    unread: int
    unsized: bool
    hands: Hands

    def steps(self) -> Iterator[Step]:
        """All steps in the order of work."""
        labour = self.take.labour
        assert labour is not None
        at = 0.0
        if self.cuts:
            begins, at = self.hands.work(at, labour.hacking)
            numbered = zip(self.numbers, self.cuts, strict=True)
            humps = tuple(note("day.hump", number=n, depth=metres(cut.depth)) for n, cut in numbered)
            before = (note("day.unsized"),) if self.unsized else ()
            yield Step("cut", note("day.cut", humps=humps), begins, at, before=before, actions=("hack", *_ON_WALL))
        chased = self.pockets > 0 or self.unread > 0
        if chased:
            begins, at = self.hands.work(at, hours_per_m3(self.system.output) * self.pockets)
            yield Step("pockets", self._chases(), begins, at, actions=("chase", *_MIXED, *_PUT_ON))
        ready = at + (middle(self.passes[0].wait) if chased and len(self.passes) > 1 else 0.0)
        fill = [work for work, local in zip(labour.coats, self.local, strict=True) if local]
        if fill and self.zones:
            step = self._fill(at, [(work.hours, middle(work.wait)) for work in fill], fill[-1].wait)
            yield step
            at = step.ends or at
            ready = at + middle(fill[-1].wait)
        setting = 0.0
        if self.screeds is not None and self.screeds.screeds:
            base = sum(work.hours for work in labour.coats if work.base)
            step, setting = self._set(at, base)
            yield step
            at = step.ends or at
        yield from self._coats(max(at, ready), setting)

    def _chases(self) -> Note:
        """What fills the chases, and that some were not read."""
        if not self.unread:
            return note("day.pockets", volume=cubic_metres(self.pockets))
        if self.pockets > 0:
            return note("day.pockets-more", volume=cubic_metres(self.pockets), count=self.unread)
        return note("day.pockets-unread", count=self.unread)

    def _fill(self, at: float, rounds: list[tuple[float, float]], wait: Range) -> Step:
        """All zones, pass by pass, with the wait between two passes; ``wait`` is its range after the last."""
        spans = [self.hands.work(at, rounds[0][0])]
        for (_, between), (work, _) in zip(rounds, rounds[1:], strict=False):
            spans.append(self.hands.work(spans[-1][1] + between, work))
        begins, ends = spans[0][0], spans[-1][1]
        bags = [coat.bags for coat, local in zip(self.take.coats, self.local, strict=True) if local]
        lines, coat = [Line(_zone_line(zone)) for zone in self.zones], self.system.base
        if sum(bag or 0.0 for bag in bags) >= _LEAST_BAGS:
            lines.append(Line(note("day.fill-bags", bags=share(sum(bag or 0.0 for bag in bags)), product=_sold(coat))))
            if coat.use_within is not None:
                passes = zip(bags, spans, rounds, strict=True)
                mixed = (_mixes(bag, span[0], work, coat.use_within[0]) for bag, span, (work, _) in passes)
                lines.append(self._use(coat, tuple(mix for some in mixed for mix in some)))
        lines.append(Line(note("day.after-fill", time=lasting(*wait)), self.system.tag("wait", coat.name)))
        does = note("day.fill", count=len(self.zones))
        return Step("fill", does, begins, ends, tuple(lines), actions=(*_MIXED, *_PUT_ON))

    def _use(self, coat: Coat, mixes: tuple[tuple[float, float], ...]) -> Line:
        """How long a mix is good for, as sure as the material's file is of it."""
        assert coat.use_within is not None
        return Line(note("day.use", time=lasting(*coat.use_within)), self.system.tag("use within", coat.name), mixes)

    def _set(self, at: float, base: float) -> tuple[Step, float]:
        """Dots or strips, and how long they take: setting out is part of the base coats' hours."""
        assert self.screeds is not None
        laid = self.screeds
        count = sum(len(screed.dots) for screed in laid.screeds)
        plain = count * _DOT if laid.strip is None else len(laid.screeds) * _STRIP
        took = min(plain, _MOST_SETTING * base)
        begins, ends = self.hands.work(at, took)
        lines, reads = [], laid.reads
        if reads is not None:
            lines.append(Line(note("day.reads", reading=metres(reads))))
        if laid.strip is None:
            does = note("day.dots", count=count)
        else:
            does = note("day.strips", count=len(laid.screeds), strip=metres(laid.strip))
        # dots and strips are bedded in plaster
        actions = (*(("laser",) if laid.laser is not None else ()), *_MIXED, *_ON_WALL)
        return Step("dots" if laid.strip is None else "strips", does, begins, ends, tuple(lines), actions=actions), took

    def _coats(self, at: float, setting: float) -> Iterator[Step]:
        """Every coat that goes everywhere: mixed, laid on and ruled, read for lows, keyed; the last one trowelled."""
        labour = self.take.labour
        assert labour is not None
        rows = list(zip(self.passes, labour.coats, self.take.coats, self.local, strict=True))
        whole = [row for row in rows if not row[3]]
        bases = [number for number, row in enumerate(whole) if row[1].base]
        based = sum(whole[number][1].hours for number in bases)
        told: set[str] = set()
        for number, (item, work, layer, _) in enumerate(whole):
            coat, last = item.coat, number == len(whole) - 1
            took = work.hours - (setting * work.hours / based if work.base and based > 0 else 0.0)
            begins, ends = self.hands.work(at, max(took, 0.0))
            yield self._mix(coat, layer.bags, begins, max(took, 0.0), first=coat.name not in told)
            yield self._lay(item, layer.thickness, begins, ends, number if number in bases else None, bases)
            if bases and number == bases[-1]:
                yield Step("lows", note("day.lows"), begins, ends, actions=_ON_WALL)
            if not last:
                yield from self._key(item, begins, ends)
                at = ends + middle(item.wait)
            else:
                yield from self._ending(coat, begins, ends)
            told.add(coat.name)

    def _mix(self, coat: Coat, bags: float | None, begins: float, took: float, *, first: bool) -> Step:
        """Bags, and the first time water, sand and cement by the box, and how long a mix is good for.

        ``took`` [h] is the work that the bags are used up in, one after the other.
        """
        tag, lines = self.system.tag, []
        if coat.mix is not None and bags is not None:
            does = note("day.mix-site", bags=share(bags), binder=coat.mix.binder, parts=share(coat.mix.sand))
            lines += (
                []
                if not first
                else [Line(note("day.box", box=cubic_metres(coat.mix.box), parts=share(coat.mix.sand)), "derived")]
            )
        elif bags is not None:
            does = note("day.mix", bags=share(bags), product=_sold(coat))
        else:
            does = note("day.mix-loose", product=coat.product)
        if coat.water is not None and first:
            low, high = (cubic_metres(end / 1e3) for end in coat.water)
            lines.append(Line(note("day.water", low=low, high=high), tag("water", coat.name)))
        if coat.use_within is not None:
            lines.append(self._use(coat, _mixes(bags, begins, took, coat.use_within[0])))
        elif self.system.use_within and first:
            lines.append(Line(note("day.use-as", words=self.system.use_within), tag("use within", coat.name)))
        return Step("mix", does, begins, begins, tuple(lines), actions=_MIXED)

    def _lay(self, item: Pass, mean: float, begins: float, ends: float, base: int | None, bases: list[int]) -> Step:
        """One coat laid on: a pass of the base coats, the last of which is ruled off, or one the same everywhere."""
        thickness, most = metres(mean), metres(float(item.thickness.max()))
        name = item.coat.name
        if base is None:
            code, does = "finish", note("day.finish", coat=name, thickness=thickness)
        elif len(bases) == 1:
            code, does = "lay", note("day.lay", coat=name, thickness=thickness, most=most)
        else:
            number = bases.index(base) + 1
            code, does = "lay", note("day.lay-pass", number=number, coat=name, thickness=thickness, most=most)
        lines = []
        if bases and base == bases[-1]:
            lines.append(Line(note("day.rule-strips" if self._strips else "day.rule-dots")))
        return Step(code, does, begins, ends, tuple(lines), actions=_PUT_ON)

    @property
    def _strips(self) -> bool:
        return self.screeds is not None and self.screeds.strip is not None

    def _key(self, item: Pass, begins: float, ends: float) -> Iterator[Step]:
        """Keyed where the file says when; then the wait before the next coat."""
        tag, coat = self.system.tag, item.coat
        if coat.key_after is not None:
            low, high = coat.key_after
            said = Line(note("day.key-after", time=lasting(low, high)), tag("key", coat.name))
            self.hands.hold(begins + low, ends + high)
            yield Step("key", note("day.key"), begins + low, ends + high, (said,))
        low, high = item.wait
        if high > 0:
            opened = opens(ends + low, _MOMENT)
            time = lasting(low, high)
            wait = note("day.wait-for", time=time) if low == high else note("day.wait-between", time=time)
            said = Line(wait, tag("wait", coat.name))
            # where work only goes on the next morning the window has no end worth naming
            closes = ends + high
            yield Step(
                "window", note("day.window"), opened, None if closes <= opened or high <= low else closes, (said,)
            )

    def _ending(self, coat: Coat, begins: float, ends: float) -> Iterator[Step]:
        """The last coat trowelled as it sets, and when the wall may be painted."""
        tag, system = self.system.tag, self.system
        if coat.set_time is not None:
            low, high = coat.set_time
            said = Line(note("day.set-after", time=lasting(low, high)), tag("set", coat.name))
            self.hands.hold(begins + low, ends + high)
            yield Step("trowel", note("day.trowel"), begins + low, ends + high, (said,))
        lines: list[Line] = []
        if system.paint_after:
            lines.append(Line(note("day.paint-when", words=system.paint_after), tag("paint")))
        dry = self.take.dry_days
        if dry is not None:
            time = lasting(24 * dry[0], 24 * dry[1])
            group = "paint" if system.dry_per_mm is None else "drying"
            lines.append(Line(note("day.dry", time=time, most=metres(self.most)), tag(group)))
        if lines:
            # a coat painted too early is the harm, so the slow end is the day
            yield Step("paint", note("day.paint"), ends + 24 * (0.0 if dry is None else dry[1]), None, tuple(lines))


def _mixes(bags: float | None, begins: float, took: float, good: float) -> tuple[tuple[float, float], ...]:
    """When each mix of one bag is made and by when it is used [h]: evenly over the work, ``good`` [h] at its shortest.

    What is bought loose is mixed as it is wanted: the first mix stands for all.
    """
    count = 1 if bags is None else max(1, math.ceil(bags - _LEAST_BAGS))
    made = [begins if k == 0 else worked(begins, took * k / count)[1] for k in range(count)]
    return tuple((at, at + good) for at in made)


def _zone_line(zone: Zone) -> Note:
    code = "day.zone-once" if zone.passes == 1 else "day.zone"
    volume = cubic_metres(zone.volume)
    return note(code, name=zone.name, passes=zone.passes, each=metres(zone.each), volume=volume)


def _sold(coat: Coat) -> str:
    """What is bought for a coat by the bag."""
    return coat.product if coat.mix is None else coat.mix.binder


def lasting(low: float, high: float) -> Note:
    """A time of low to high [h]: minutes under two hours, days from two days on."""
    if high >= _IN_DAYS:
        # whole days, outward
        low, high = math.floor(low / 24 + _HAIR), math.ceil(high / 24 - _HAIR)
        return note("day.day" if low == high else "day.days", low=days(low), high=days(high))
    if high < _IN_HOURS:
        low, high = round(low * 60), round(high * 60)
        return note("day.minute" if low == high else "day.minutes", low=share(low), high=share(high))
    return note("day.hour" if low == high else "day.hours", low=hours(low), high=hours(high))

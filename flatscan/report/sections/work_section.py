"""On the job: screeds and dots before the coat, ridges and low spots after ruling it off."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from flatscan.core.notes import Note, Unknown, note
from flatscan.core.quantity import Quantity, cubic_metres, metres, share
from flatscan.jobs import Lows, LowsByHand
from flatscan.plan.lows import Low, what_is_left
from flatscan.plan.screeds import Screeds
from flatscan.report.parts import Fact, Section
from flatscan.report.say import Said
from flatscan.report.tables import AT, Column, Table

_SHOWN = 3
# what the document holds of a dot, as the columns of the table name it
_DOT = ("y_mm", "packing_mm", "u_packing_mm", "reading_mm")


def set_out(laid: Screeds) -> Section:
    """Where the screeds stand, the packing at each dot, and which dot to start from."""
    rule, places, listed = metres(laid.rule), tuple(metres(screed.x) for screed in laid.screeds), dots(laid)
    rows = listed.rows_as_values()
    screeds = tuple(
        {"x_mm": x, "dots": tuple({key: row[key] for key in _DOT} for row in rows if row["screed"] == number)}
        for number, x in enumerate(places, 1)
    )
    values = {
        "rule_mm": rule,
        "face": laid.face,
        "packing_to": laid.packing_to,
        "finish_mm": metres(laid.finish),
        "strip_mm": Unknown("unknown.no-strip") if laid.strip is None else metres(laid.strip),
        "screeds": screeds,
        "notes": laid.notes,
    }
    stand = where_dots_stand(laid)
    said: list[Said] = [note("report.screeds", rule=rule, places=places), stand]
    start = start_dot(laid)
    said += [start] if start is not None else []
    facts = [Fact("screeds", note("report.screed-places", count=len(places), places=places)), Fact("dots", stand)]
    facts += [Fact("start", start)] if start is not None else []
    answers = tuple(Fact("set-out-note", said) for said in laid.notes)
    return Section("setout", values, (*said, *laid.notes), tuple(facts), (listed,), laid.notes, answers)


def where_dots_stand(laid: Screeds) -> Note:
    """Which face dots and strips stand at, and which side of them the packing is measured to."""
    finish = metres(laid.finish)
    if laid.strip is None:
        return note("report.dots-at-undercoat", finish=finish) if laid.finish > 0 else note("report.dots-at-finish")
    strip = metres(laid.strip)
    if laid.finish > 0:
        return note("report.strips-at-undercoat", strip=strip, finish=finish)
    return note("report.strips-at-finish", strip=strip)


def start_dot(laid: Screeds) -> Note | None:
    """The dot to set first, None where no dot is to be started from."""
    for screed in laid.screeds:
        for dot in screed.dots:
            if dot.start_here:
                at = (screed.x, dot.y)
                if dot.packing is None:
                    return note("report.start-unpacked", at)
                return note("report.start", at, packing=metres(dot.packing))
    return None


def dots(laid: Screeds) -> Table:
    """Every dot of every screed, one a row, screeds numbered from the left."""
    rows = tuple(
        (number, screed.x, dot.y, dot.packing, dot.u, dot.reading, _dot_note(screed.note, dot.start_here, dot.packing))
        for number, screed in enumerate(laid.screeds, 1)
        for dot in screed.dots
    )
    columns = (
        Column("screed", "screed"),
        *AT,
        Column("packing_mm", "packing", 0, Unknown("unknown.packing")),
        Column("u_packing_mm", "±", why=Unknown("unknown.u-packing"), spread=True),
        Column("reading_mm", "laser reads", 1, Unknown("unknown.dot-reading")),
        Column("note", "note"),
    )
    return Table("dots", "Screeds and dots", columns, rows, "no screed was set out")


def _dot_note(said: Said | None, start: bool, packing: float | None) -> Said:
    parts: list[Said] = [note("report.start-here")] if start else []
    parts += [note("report.plumb-on-site")] if packing is None else []
    parts += [said] if said else []
    return note("report.list", parts=tuple(parts)) if parts else ""


def low_sections(found: Lows) -> tuple[Section, ...]:
    """The ridges to shave first, and the lows that are left then."""
    ridges, lows = ridge_table(found.ridges), low_table(found.lows, found.ridges)
    remarks: list[Said] = [note("report.in-all-to-fill", volume=_in_all(found.lows))]
    if found.lows:
        with_waste = cubic_metres(_in_all(found.lows).value * (1 + found.waste))
        remarks.append(note("report.fill-and-waste", volume=with_waste, waste=share(found.waste)))
        remarks.append(note("report.low-walk"))
    return (
        Section(
            "lows",
            headline=tuple(_low_sentences(found.lows, found.ridges, unsure=bool(found.doubtful))),
            facts=_facts(found),
            tables=(lows,),
            remarks=tuple(remarks),
            listed=lows,
        ),
        Section("ridges", listed=ridges, tables=(ridges,)),
    )


def _in_all(lows: Sequence[Low]) -> Quantity:
    """What all of them take; one warp bends the whole wall, so their u are added end to end."""
    known = [low.u for low in lows if low.u is not None]
    return cubic_metres(sum(low.volume for low in lows), sum(known) if len(known) == len(lows) else None)


def _facts(found: Lows) -> tuple[Fact, ...]:
    shaved = tuple(
        Fact("shave", note("report.shave", (ridge.x, ridge.y), number=ridge.number, height=metres(ridge.depth)))
        for ridge in _worst(found.ridges, _SHOWN)
    )
    total = _in_all(found.lows)
    count = (
        note("report.lows-count", count=len(found.lows), volume=total)
        if found.lows
        else _none(unsure=bool(found.doubtful))
    )
    filled = tuple(
        Fact("fill", note(_fill_code(low), (low.x, low.y), number=low.number, depth=metres(low.depth)))
        for low in _worst(found.lows, _SHOWN + 2)
    )
    return (*shaved, Fact("lows", count), *filled)


def _worst(lows: Sequence[Low], most: int) -> tuple[Low, ...]:
    """The deepest of them, in the order of the walk."""
    return tuple(low for low in lows if low.rank <= most)


def _fill_code(low: Low) -> str:
    return "report.fill-deepest" if low.rank == 1 else "report.fill"


def _ridge(ridge: Low) -> Note:
    return note("report.ridge", (ridge.x, ridge.y), number=ridge.number, height=metres(ridge.depth))


def _low(low: Low) -> Note:
    depth, volume = metres(low.depth), cubic_metres(low.volume, low.u)
    code = "report.low-deepest" if low.rank == 1 else "report.low"
    return note(code, (low.x, low.y), number=low.number, depth=depth, volume=volume)


def _none(*, unsure: bool) -> Note:
    return note("report.no-sure-low") if unsure else note("report.no-lows")


def _low_sentences(lows: Sequence[Low], ridges: Sequence[Low], *, unsure: bool) -> Iterator[Note]:
    yield from (_ridge(ridge) for ridge in _worst(ridges, _SHOWN))
    if not lows:
        yield _none(unsure=unsure)
        return
    code = "report.lows-then" if ridges else "report.lows"
    yield note(code, count=len(lows), volume=_in_all(lows))
    yield from (_low(low) for low in _worst(lows, _SHOWN * 2))


def low_table(lows: Sequence[Low], ridges: Sequence[Low] = ()) -> Table:
    """All that is to be done to a ruled wall: the ridges to shave, then the lows in the order of the walk."""
    done = (("shave", ridges), ("fill", lows))
    rows = tuple(
        (kind, low.number, low.x, low.y, low.depth, low.area, low.volume, low.u, low.rank)
        for kind, some in done
        for low in some
    )
    columns = (
        Column("kind", "what"),
        Column("number", "no."),
        *AT,
        Column("depth_mm", "depth", 1),
        Column("area_m2", "area", 2),
        Column("litres", "volume", 2),
        Column("u_litres", "±", 2, Unknown("unknown.u-volume"), spread=True),
        Column("rank", "by depth"),
    )
    return Table("lows", "Low spots", columns, rows, "no low spot over the limit")


def ridge_table(ridges: Sequence[Low]) -> Table:
    """High ridges to shave after ruling off, before anything is filled."""
    rows = tuple((ridge.number, ridge.x, ridge.y, ridge.depth, ridge.area) for ridge in ridges)
    columns = (Column("number", "no."), *AT, Column("height_mm", "height", 1), Column("area_m2", "area", 2))
    return Table("ridges", "Ridges to shave", columns, rows, "no ridge to shave")


def hand_lows(found: LowsByHand) -> tuple[Section, ...]:
    """Lows that somebody read with a straightedge and wrote down: no wall was captured."""
    no_wall = Unknown("unknown.no-wall")
    capture = {
        "file": found.file,
        "sha256": found.sha256,
        "reader": "straightedge readings",
        "file_unit": no_wall,
        "points": found.readings,
        "type": no_wall,
        "u_point_mm": no_wall,
        "u_common_mm": no_wall,
    }
    lows = low_table(found.lows)
    said = (note("report.readings-read", file=found.file, readings=found.readings),)
    said_of = (*(_low(low) for low in found.lows), what_is_left(found.lows, limit=found.limit))
    return (
        Section("capture", capture, headline=said),
        *(Section(name, empty=no_wall) for name in ("wall", "plumb", "shape")),
        Section("patches", ()),
        Section("limit_mm", metres(found.limit)),
        Section("lows", headline=said_of, listed=lows, tables=(lows,)),
    )

"""Capture, wall, plumb, shape and patches: what every job begins with."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from flatscan.core.holes import GIVEN, Opening
from flatscan.core.model import Relief, Wall
from flatscan.core.notes import Note, Unknown, note
from flatscan.core.quantity import Quantity, metres, root_sum_square, share, slope, square_metres
from flatscan.jobs import Looked, Seen
from flatscan.relief.tie import Tie
from flatscan.report.bands import Spot
from flatscan.report.parts import Fact, Section
from flatscan.report.say import Said
from flatscan.report.sections.level_section import level_steps, level_values
from flatscan.report.sections.mosaic_section import mosaic_facts, mosaic_tables, mosaic_values
from flatscan.report.tables import AT, Column, Table, shows

# objects named in one line
_NAMED = 3


def known(value: float | None, reason: str, u: float | None = None) -> Quantity | Unknown:
    """A length [m], or the reason why it is not there."""
    return Unknown(reason) if value is None else metres(value, u)


def ends(value: Quantity) -> tuple[Quantity | Unknown, Quantity | Unknown]:
    """Both ends of a quantity's 95 % interval, as values of their own."""
    low, high = value.ends
    if low is None or high is None:
        return Unknown("unknown.not-known"), Unknown("unknown.not-known")
    return Quantity(low, None, value.unit), Quantity(high, None, value.unit)


def wall_name(seen: Seen) -> Note:
    """The wall's number, with its user's own name for it."""
    title = " ".join(seen.title.split())
    if title:
        return note("report.wall-titled", number=seen.wall.name, title=title)
    return note("report.wall", number=seen.wall.name)


def wall_title(seen: Seen) -> Said:
    """The wall as its user calls it, else by its number, where there is little room."""
    return " ".join(seen.title.split()) or wall_name(seen)


def quoted_common(relief: Relief) -> float:
    """The common error as it is quoted [m]: on the middle of a 2 m chord, the median over the wall."""
    some = [np.unique(np.linspace(0, len(at) - 1, 5).astype(int)) for at in (relief.x, relief.y)]
    return float(np.median(relief.common.largest_u_gap(relief.x[some[0]], relief.y[some[1]], 2.0)))


def signed(value: Quantity) -> Note:
    """A deviation in words: proud, hollow, or on the plane."""
    if not shows(value.value):
        return note("report.on-plane")
    by = metres(abs(value.value))
    return note("report.proud", by=by) if value.value > 0 else note("report.hollow", by=by)


def leaning(top: Quantity) -> Note:
    """How the wall leans, by how far its ``top`` stands toward the room."""
    if not shows(top.value):
        return note("report.plumb")
    by = metres(abs(top.value))
    return note("report.leans-in", by=by) if top.value > 0 else note("report.leans-away", by=by)


def seen_sections(looked: Looked) -> tuple[Section, ...]:
    """The first sections of every report, in the order of the document."""
    return capture(looked), *standing(looked), patches(looked)


def capture(looked: Looked) -> Section:
    """File, hash, reader, unit, points, declared type and the two parts of its uncertainty."""
    seen, origin = looked.seen, looked.origin
    u_point = known(seen.relief.u_point, "unknown.scatter")
    common = metres(quoted_common(looked.relief))
    values = {
        "file": origin.file,
        "sha256": origin.sha256 or Unknown("unknown.no-file"),
        "reader": origin.reader,
        "file_unit": origin.file_unit,
        "points": origin.points,
        "type": seen.capture_type,
        "against_type": seen.against,
        "u_point_mm": u_point,
        "u_common_mm": common,
    }
    points = note("report.read-as", reader=origin.reader, points=origin.points, unit=origin.file_unit)
    facts = [
        Fact("file", origin.file),
        Fact("sha256", origin.sha256 or note("report.none")),
        Fact("read-as", points),
        Fact("capture-type", _declared(seen)),
        Fact("u-point", note("report.u-point", u=u_point) if isinstance(u_point, Quantity) else note("report.unknown")),
        Fact("u-common", note("report.u-common", u=common, source=looked.relief.common.source)),
    ]
    tie = {} if seen.tie is None else {"tie": tie_values(seen.tie)}
    facts += mosaic_facts(seen)
    headline = (_declared(seen),) if seen.against else ()
    return Section("capture", values | mosaic_values(seen) | tie, headline, tuple(facts), mosaic_tables(seen))


def _declared(seen: Seen) -> Note:
    """The capture type, how it is known, and what in the file speaks against it."""
    if seen.against:
        return note("report.declared-against", type=seen.capture_type, why=seen.against)
    return note("report.type-declared" if seen.how.capture_type else "report.type-assumed", type=seen.capture_type)


def tie_values(tie: Tie) -> dict[str, object]:
    """What tying a scan down showed."""
    columns = zip(*tie.places.T, tie.left_out, tie.u_left_out, tie.smallest_slip, strict=True)
    rows = tuple(
        {
            "x_mm": metres(x),
            "y_mm": metres(y),
            "left_out_mm": metres(left, u),
            "u_mm": metres(u),
            "smallest_slip_mm": metres(slip),
        }
        for x, y, left, u, slip in columns
    )
    shortest, longest = tie.warps.lengths()
    steps = tuple(
        {"x_mm": metres(seam.at[0]), "y_mm": metres(seam.at[1]), "step_mm": metres(step, u), "u_mm": metres(u)}
        for seam, step, u in zip(tie.seams, tie.steps, tie.u_steps, strict=True)
    )
    return {
        "file": tie.file,
        "sha256": tie.sha256 or Unknown("unknown.no-file"),
        "readings": len(tie.u),
        "warp_mm": metres(tie.warps.chord()),
        "warp_stated_mm": metres(tie.stated),
        "warp_length_least_mm": metres(shortest),
        "warp_length_most_mm": metres(longest),
        "u_widened": share(tie.widened),
        "steps": steps,
        "taken_out_least_mm": metres(tie.least),
        "taken_out_most_mm": metres(tie.most),
        "lean_taken_out_mm_per_m": slope(tie.lean),
        "left_out_rms_mm": metres(float(np.sqrt(np.mean(tie.left_out**2)))),
        "left_out_over_expected": share(tie.rms_left_out),
        "disagree": tuple(tie.disagree),
        "left_out": rows,
    }


def standing(looked: Looked) -> tuple[Section, Section, Section]:
    """Wall, plumb and shape: size, areas, which way is up, how it leans and bellies."""
    wall, plumb, shape = _wall_values(looked), _plumb_values(looked), _shape_values(looked)
    lean = plumb["lean_mm"]
    opening = note(
        "report.opening",
        name=wall_name(looked.seen),
        file=looked.origin.file,
        width=wall["width_mm"],
        height=wall["height_mm"],
        net=wall["area_m2"],
        measured=wall["covered_share"],
        lean=leaning(lean),
    )
    facts = tuple(_standing_facts(looked, wall, plumb, shape))
    largest = tuple(note("report.largest-missing", part=part) for part in looked.not_measured[:1])
    tables = (
        openings(looked),
        *((missing(looked),) if looked.unmeasured else ()),
        *((objects(looked),) if looked.wall.objects else ()),
    )
    return (
        Section(
            "wall",
            wall,
            headline=(opening, *largest, *level_steps(looked.wall), *_before(looked.wall)),
            facts=facts,
            tables=tables,
        ),
        Section("plumb", plumb),
        Section("shape", shape),
    )


def _before(wall: Wall) -> tuple[Note, ...]:
    """One line on what hangs on the wall, the largest named."""
    order = sorted(wall.objects, key=lambda one: -one.area)
    said = []
    for state, code in (("removed", "report.objects-removed"), ("doubtful", "report.objects-doubtful")):
        some = [one for one in order if one.state == state]
        named = tuple(
            note(
                "report.object",
                (one.x, one.y),
                number=one.number,
                width=metres(one.width),
                height=metres(one.height),
                off=metres(one.stands_off),
            )
            for one in some[:_NAMED]
        )
        if named:
            more = (note("report.objects-more", count=len(some) - _NAMED),) if len(some) > _NAMED else ()
            said.append(note(code, objects=(*named, *more)))
    return tuple(said)


def _wall_values(looked: Looked) -> dict[str, Any]:
    wall, relief = looked.wall, looked.relief
    # a chase that is filled is wall again
    net = relief.net_area + sum(pocket.size for pocket in relief.pocketed)
    return {
        "number": wall.number,
        "up_from": wall.up_from,
        "facing_from": wall.facing_from,
        "width_mm": metres(wall.width),
        "height_mm": metres(wall.height),
        "area_m2": square_metres(net, 2 * relief.common.scale * net),
        "gross_area_m2": square_metres(wall.gross_area, 2 * relief.common.scale * wall.gross_area),
        "covered_share": share(relief.covered_share),
        "cell_mm": metres(relief.step) if relief.known_between else Unknown("unknown.no-cells"),
        "title": looked.seen.title,
        "openings": openings(looked).rows_as_values(),
        "pockets": pockets(looked).rows_as_values(),
        "skips": skips(looked).rows_as_values(),
        "not_measured": missing(looked).rows_as_values(),
        "objects": objects(looked).rows_as_values(),
        **level_values(wall),
        "doubled_mm": known(relief.doubled, "unknown.one-surface"),
    }


def _plumb_values(looked: Looked) -> dict[str, Any]:
    plumb, shape = looked.wall.plumb, looked.shape
    u_lean = root_sum_square(shape.u_lean, plumb.u_lean)
    return {
        "lean_mm_per_m": slope(shape.lean),
        "lean_mm": metres(shape.lean_height, None if u_lean is None else u_lean * looked.wall.height),
        "u_lean_mm_per_m": Unknown("unknown.u-plumb") if u_lean is None else slope(u_lean),
        "known_from": plumb.known_from or Unknown("unknown.plumb-from"),
    }


def _shape_values(looked: Looked) -> dict[str, Any]:
    shape = looked.shape
    spread = metres(shape.range, None, shape.range_between)
    low, high = (known(end, "unknown.no-range") for end in spread.ends)
    return {
        "belly_along_mm": known(shape.belly_along, "unknown.belly", shape.u_belly_along),
        "belly_up_mm": known(shape.belly_up, "unknown.belly", shape.u_belly_up),
        "u_belly_along_mm": known(shape.u_belly_along, "unknown.belly"),
        "u_belly_up_mm": known(shape.u_belly_up, "unknown.belly"),
        "range_mm": spread,
        "range_low_mm": low,
        "range_high_mm": high,
        "rms_mm": metres(shape.rms),
    }


def _standing_facts(
    looked: Looked, wall: dict[str, Any], plumb: dict[str, Any], shape: dict[str, Any]
) -> Iterator[Fact]:
    """The lines of paper and page, out of the values of the document."""
    cell, lean = wall["cell_mm"], plumb["lean_mm"]
    grain = note("report.cells", cell=cell) if isinstance(cell, Quantity) else note("report.stations-only")
    bellies = (("report.belly-along", shape["belly_along_mm"]), ("report.belly-up", shape["belly_up_mm"]))
    arcs = [(code, value) for code, value in bellies if isinstance(value, Quantity)]
    belly = tuple(note(code, None, belly=signed(value), size=value) for code, value in arcs)
    known_from = looked.wall.plumb.known_from or note("report.nothing-in-capture")
    yield Fact("size", note("report.size", width=wall["width_mm"], height=wall["height_mm"]))
    yield Fact("area", note("report.areas", net=wall["area_m2"], gross=wall["gross_area_m2"]))
    yield Fact("measured", note("report.measured", measured=wall["covered_share"], grain=grain))
    for part in looked.not_measured:
        yield Fact("not-measured", part)
    steps = level_steps(looked.wall)
    yield from [Fact("levels", note("report.list", parts=steps))] if steps else []
    yield Fact("up-from", wall["up_from"])
    yield Fact("facing-from", wall["facing_from"])
    yield Fact("lean", note("report.lean", lean=leaning(lean), height=lean, slope=plumb["lean_mm_per_m"]))
    yield Fact("plumb-from", note("report.plumb-from", source=known_from))
    yield Fact("belly", note("report.list", parts=belly) if belly else note("report.unknown"))
    yield Fact("span", note("report.span", span=shape["range_mm"], rms=shape["rms_mm"]))


def openings(looked: Looked) -> Table:
    """Openings as rectangles from the wall's left edge and foot, found by the capture or given by somebody."""
    return _holes("openings", "Openings", looked.wall.openings, "no opening")


def pockets(looked: Looked) -> Table:
    """Chases and pockets that are filled first, given by somebody or shown by their depth alone."""
    return _holes("pockets", "Chases and pockets", looked.wall.pockets, "no chase or pocket")


def skips(looked: Looked) -> Table:
    """Parts that are not to be plastered."""
    return _holes("skips", "Not to be plastered", looked.wall.skips, "no part left out")


def _holes(name: str, title: str, holes: tuple[Opening, ...], none: str) -> Table:
    rows = tuple(
        (hole.left, hole.bottom, hole.width, hole.height, "given" if hole.evidence == GIVEN else "found")
        for hole in holes
    )
    columns = (
        Column("left_mm", "from left"),
        Column("bottom_mm", "up"),
        Column("width_mm", "width"),
        Column("height_mm", "height"),
        Column("from", "known as"),
    )
    return Table(name, title, columns, rows, none)


def missing(looked: Looked) -> Table:
    """Parts of the wall that were not measured, the largest first, as rectangles with the area lost in them."""
    rows = tuple((p.reason, p.left, p.bottom, p.width, p.height, p.area) for p in looked.unmeasured)
    columns = (
        Column("why", "why"),
        Column("left_mm", "from left"),
        Column("bottom_mm", "up"),
        Column("width_mm", "width"),
        Column("height_mm", "height"),
        Column("area_m2", "area", 2),
    )
    return Table("not_measured", "Not measured", columns, rows, "all of the wall was measured")


def objects(looked: Looked) -> Table:
    """What hangs on the wall or stands close before it, by number: its middle, its size, and what became of it."""
    rows = tuple(
        (one.number, one.x, one.y, one.width, one.height, one.stands_off, one.state) for one in looked.wall.objects
    )
    columns = (
        Column("number", "no."),
        *AT,
        Column("width_mm", "width"),
        Column("height_mm", "height"),
        Column("stands_off_mm", "proud by"),
        Column("state", "taken as"),
    )
    return Table("objects", "Objects before the wall", columns, rows, "no object")


def patches(looked: Looked) -> Section:
    """Humps and hollows off the best-fit plane, in the order they were found."""
    rows = tuple(
        (p.kind, p.x, p.y, p.width, p.height, p.deviation, p.u, p.area, *p.area_between) for p in looked.patches
    )
    columns = (
        Column("kind", "what"),
        *AT,
        Column("width_mm", "width"),
        Column("height_mm", "height"),
        Column("deviation_mm", "off the plane", 1),
        Column("u_deviation_mm", "±", spread=True),
        Column("area_m2", "area", 2),
        Column("area_low_m2", "at least", 2),
        Column("area_high_m2", "at most", 2),
    )
    table = Table("patches", "Humps and hollows", columns, rows, "no hump or hollow stands out")
    return Section("patches", listed=table, tables=(table,))


def spot_section(spots: tuple[Spot, ...], *tables: Table) -> Section:
    """The numbered spots of the drawings and ``tables`` of them, for readers; gaps stand with the straightedge."""
    marked = tuple(spot for spot in spots if spot.mark[0] != "G")
    deeper = any(spot.once_all is not None for spot in marked)
    more: tuple[Column, ...] = (Column("once_all_mm", "if all are cut", 1),) if deeper else ()
    rows = tuple(
        (
            *(spot.mark, spot.x, spot.y, spot.value),
            *("" if spot.once_all is None else spot.once_all for _ in more),
            spot.what,
        )
        for spot in marked
    )
    columns = (Column("mark", "no."), *AT, Column("value_mm", "by", 1), *more, Column("what", "what"))
    table = Table("spots", note("drawing.spots"), columns, rows, "no spot stands out")
    return Section("spots", tables=(table, *tables), in_document=False)

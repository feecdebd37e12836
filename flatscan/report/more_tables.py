"""Rows that only some jobs have: choices of plane, quote, clashes, corners, light, readings by hand, limit curve."""

from __future__ import annotations

from collections.abc import Iterator

from flatscan.jobs import Together
from flatscan.report import words
from flatscan.report.numbers import record
from flatscan.report.say import say
from flatscan.report.tables import AS_IS, Cell, Column, Table
from flatscan.report.view import Findings

_AT = (Column("x_mm", "from left"), Column("y_mm", "up"))


def choices(findings: Findings) -> Table:
    """The price list of choices: what each way to place the plane takes, and what it costs in plumb and square."""
    columns = (
        Column("name", "choice"), Column("least_mm", "least", 1), Column("mean_mm", "mean", 1),
        Column("most_mm", "most", 1), Column("volume_l", "volume"), Column("bags", "bags"),
        Column("out_of_plumb_mm", "out of plumb", 1), Column("out_of_square_mm", "out of square", 1),
        Column("reason", "why not"),
    )  # fmt: skip
    rows: list[tuple[Cell, ...]] = []
    for choice in findings.choices:
        built, bags = choice.build_up, None if choice.take_off is None else choice.take_off.bags
        sizes: tuple[Cell, ...] = (None,) * 4
        if built is not None:
            sizes = built.least, built.mean, built.most, built.volume.value
        reason = "" if choice.reason is None else say(choice.reason)
        rows.append((say(choice.name), *sizes, bags, choice.out_of_plumb, choice.out_of_square, reason))
    return Table("choices", "Choices of finish plane", columns, tuple(rows), "no choice was worked out")


def quote(findings: Findings) -> Table:
    """Quote lines at the user's own rates, the total last."""
    columns = (
        Column("what", "line"), Column("quantity", "quantity", 2), Column("unit", "unit"), Column("rate", "rate", 2),
        Column("amount", "amount", 2),
    )  # fmt: skip
    made = findings.quote
    if made is None:
        return Table("quote", "Quote", columns, (), "no rates were given: flatscan ships no prices")
    rows: list[tuple[Cell, ...]] = [
        (say(line.what), line.quantity, line.unit, line.rate, line.amount) for line in made.lines
    ]
    rows.append((f"in all, {made.currency}", None, "", None, made.total))
    return Table("quote", f"Quote, {made.currency}", columns, tuple(rows), "nothing to charge at these rates")


def clashes(findings: Findings) -> Table:
    """What the new face buries or leaves proud."""
    columns = (
        Column("name", "what"), *_AT, Column("build_up_mm", "build-up", 1), Column("stands_mm", "stands", 1),
        Column("verdict", "after plastering"), Column("move_mm", "bring out", 1),
    )  # fmt: skip
    rows = tuple(
        (one.item.name, one.item.x, one.item.y, one.build_up, one.stands, one.verdict, one.move)
        for one in findings.clashes
    )
    return Table("clashes", "What the new face meets", columns, rows, "nothing was listed")


def corners(findings: Findings) -> Table:
    """Where other walls meet this one, and how far from square."""
    columns = (
        Column("left", "left wall"), Column("right", "right wall"), Column("out_of_square_mm", "out of square", 1),
        Column("u_out_of_square_mm", "u", 1), Column("leg_mm", "over"),
    )  # fmt: skip
    rows = tuple(
        (str(one.left), str(one.right), one.out_of_square, one.u_out_of_square, one.leg) for one in findings.corners
    )
    return Table("corners", "Corners, + open", columns, rows, "no other wall of the capture meets this one")


def hand(findings: Findings) -> Table:
    """Straightedge readings people made, beside the scan's gap at the same place."""
    columns = (
        *_AT, Column("direction_deg", "degrees"), Column("by_hand_mm", "by hand", 1), Column("scan_mm", "by scan", 1),
        Column("agrees", "agree"),
    )  # fmt: skip
    said = {True: "yes", False: "NO", None: "not comparable"}
    rows = tuple(
        (
            check.reading.x, check.reading.y, check.reading.direction, check.reading.gap,
            None if check.scan is None else check.scan.value, said[check.agrees],
        )
        for check in findings.hand
    )  # fmt: skip
    return Table("hand", "Readings by hand", columns, rows, "no readings by hand were given")


def curve(findings: Findings) -> Table:
    """The limit over the distance between the contacts, with the largest gap found at each."""
    columns = (
        Column("from_mm", "contacts from"), Column("to_mm", "to"), Column("limit_mm", "limit", 1),
        Column("gap_mm", "largest gap", 1), Column("upper_mm", "at most", 1),
    )  # fmt: skip
    points = () if findings.verdict is None else findings.verdict.curve
    rows = tuple((point.start, point.stop, point.limit, point.gap, point.upper) for point in points)
    return Table("curve", "Limit by distance of the contacts", columns, rows, "the limit is one for every distance")


def together(findings: Findings) -> Table:
    """One order for the walls of a room that were planned together."""
    columns = (
        Column("product", "product"), Column("unit", "sold as"), Column("low", "wanted from", 1),
        Column("high", "to", 1), Column("order", "ORDER", AS_IS),
    )  # fmt: skip
    made = findings.together
    if made is None:
        return Table("order_together", "Order for all walls", columns, (), "this wall was planned alone")
    names = ", ".join(str(number) for number in made.walls)
    rows = tuple((line.product, line.unit, line.low, line.high, line.order) for line in made.order)
    return Table("order_together", f"One order for walls {names}", columns, rows, "nothing to order")


def beside(findings: Findings) -> tuple[Table, ...]:
    """Those of these tables that have rows, in reading order."""
    every = (together, choices, quote, clashes, corners, hand, curve)
    return tuple(table for make in every if (table := make(findings)).rows)


def sections(findings: Findings) -> dict[str, object]:
    """What these tables add to the result document."""
    made: dict[str, object] = {table.name: table.records() for table in beside(findings)}
    if findings.extras is not None:
        made["extras"] = record(
            {
                "reveals_m": findings.extras.reveals,
                "beads_m": findings.extras.beads,
                "mesh_m": findings.extras.mesh,
                "mesh_m2": findings.extras.mesh_area,
            }
        )
    if findings.shown is not None:
        shown = findings.shown
        made["light"] = record({"share": shown.share, "x_mm": shown.x, "y_mm": shown.y, "contrast": shown.contrast})
    return made


def sentences(findings: Findings, units: str) -> Iterator[str]:
    """What a screen of words says of them."""
    yield from _best_choice(findings, units)
    if findings.together is not None:
        yield from _together(findings.together, units)
    if findings.quote is not None:
        yield f"Quote at your rates: {findings.quote.total:.2f} {findings.quote.currency}.".replace(" .", ".")
    for one in findings.clashes:
        if one.verdict not in ("flush", "not measured") and one.stands is not None:
            yield f"Clash: {one.item.name} ends {words.length(abs(one.stands), units, decimals=1)} {one.verdict}."
    if findings.shown is not None:
        shown = findings.shown
        yield f"In that light {shown.share * 100:.0f} % of the wall would show; {say(shown.said, units)}."


def _best_choice(findings: Findings, units: str) -> Iterator[str]:
    """The choice that saves most, if it saves a fiftieth or more (TRADE 2), with what it costs in plumb and square."""
    first = findings.choices[0].build_up if findings.choices else None
    others = [choice for choice in findings.choices[1:] if choice.build_up is not None and choice.saves]
    best = max(others, key=lambda choice: choice.saves or 0.0, default=None)
    if first is None or best is None or (best.saves or 0.0) < 0.02 * first.volume.value:
        return
    off = ((best.out_of_plumb, "out of plumb"), (best.out_of_square, "out of square"))
    costs = [f"{words.length(abs(v), units, decimals=1)} {what}" for v, what in off if round(abs(v) * 1000, 1) > 0]
    yield f"Or {say(best.name, units)}: saves {', '.join([words.volume(best.saves or 0.0, 0.0, units), *costs])}."


def _together(made: Together, units: str) -> Iterator[str]:
    names = ", ".join(str(number) for number in made.walls)
    order = "; ".join(f"{line.order:g} x {line.unit} {line.product}" for line in made.order)
    kept = "corners square" if made.corners == "square" else "corners as they are"
    yield f"Walls {names} together ({kept}): {words.volume(made.volume, 0.0, units)}. One order: {order}."
    if made.squaring is not None and made.squaring > 0:
        yield f"Square corners take {words.volume(made.squaring, 0.0, units)} more than corners left as they are."

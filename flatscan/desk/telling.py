"""What the answers say, led by doubt: one sentence, five lines, and every caution beside the action it belongs to."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from flatscan.core.notes import Caution, Note, note
from flatscan.core.phrase import Manner
from flatscan.jobs import SetOut
from flatscan.report.parts import Fact, FirstLine, Report, in_short
from flatscan.report.say import Said, finished, printed, say
from flatscan.report.tables import Table

# the question each fact answers, by the fact's key, the one that matters most to its job first
QUESTIONS = {
    "is-flat": "ask.is-flat",
    "is-plumb": "ask.is-plumb",
    "has-no-step": "ask.has-no-step",
    "is-square": "ask.is-square",
    "is-within": "ask.is-within",
    "why": "ask.why",
    "by-hand": "ask.by-hand",
    "bags": "ask.bags",
    "order-note": "ask.order-note",
    "thick": "ask.thick",
    "volume": "ask.volume",
    "governs": "ask.governs",
    "coats": "ask.coats",
    "days": "ask.days",
    "screeds": "ask.screeds",
    "start": "ask.start",
    "set-out-note": "ask.set-out-note",
    "shave": "ask.shave",
    "lows": "ask.lows",
    "fill": "ask.fill",
    "lean": "ask.lean",
    "gap": "ask.gap",
    "measured": "ask.measured",
}
# a set-out asks where, not how much
_NOT_OF_SET_OUT = {"bags", "order-note", "governs", "coats", "days"}
# what a job comes to where no doubt stands in its way
_CAN = {
    "survey": "desk.can-quote",
    "setout": "desk.can-set-out",
    "lows": "desk.can-fill",
    "compare": "desk.can-compare",
}
# beside what each caution stands: the first of these that the page has, else before everything
_BESIDE = {
    "hack": ("hacking",),
    "chase": ("boxes",),
    "load": ("coats", "thick"),
    "mix": ("bags", "lows", "dots", "thick"),
    "lift": ("bags", "dots"),
    "laser": ("dots", "by-hand"),
    "read": ("by-hand", "dots"),
    "height": ("dots", "days", "lows"),
    "all": ("end",),
}
# parts of the page that are no answers
_APART = ("before", "hacking", "boxes", "dots", "lows", "end")
# lists that a person works through at the wall, by the section they are of
_LISTS = {"setout": "dots", "lows": "lows"}


@dataclass(frozen=True, slots=True)
class Row:
    """A line of the page: the question or label, the answer, and the cautions that stand before it."""

    ask: str
    said: str
    care: tuple[str, ...] = ()


def answered(report: Report) -> list[Fact]:
    """The facts that answer, the one that matters most to this job first; what is not known answers nothing."""
    facts = [fact for section in report.sections for fact in (*section.facts, *section.answers)]
    left_out = _NOT_OF_SET_OUT if report.command == SetOut.command else set()
    return [
        fact for key in QUESTIONS for fact in facts if fact.key == key and key not in left_out and not _is_unknown(fact)
    ]


def lines(report: Report, to: Manner) -> list[tuple[str, str]]:
    """Question and answer of every fact that answers."""
    return [(say(Note(QUESTIONS[fact.key]), to), finished(fact.text, to)) for fact in answered(report)]


def _is_unknown(fact: Fact) -> bool:
    return isinstance(fact.text, Note) and fact.text.code == "report.unknown"


def lead(report: Report) -> tuple[Said, ...]:
    """Whether it can be quoted, built or proven, and what would decide it: the sentence that stands over everything."""
    if report.leading:
        return (report.leading,)
    if report.stops:
        return (note("report.stop", sign=report.stops[0]),)
    decided = _said_of(report, "first.decision")
    if decided is not None:
        return (note("desk.decided", decision=decided),)
    can: Said = Note(_CAN[report.command])
    return (can, note("desk.in-doubt", doubt=report.doubt)) if report.doubt else (can,)


def _said_of(report: Report, label: str) -> Said | None:
    return next((line.said for line in report.first if _code(line) == label), None)


def _code(line: FirstLine) -> str:
    return line.label.code if isinstance(line.label, Note) else ""


def told(report: Report, to: Manner, *, humps: bool, plans: bool) -> dict[str, Any]:
    """Lead, stop signs, lines, lists and cautions of a page that has ``humps`` to tick and ``plans`` to change."""
    facts = answered(report)
    tables = dict(_lists(report, to))
    there = {fact.key for fact in facts} | set(tables) | {"end"}
    there |= ({"hacking"} if humps else set()) | ({"boxes"} if plans else set())
    over = {"first.stop"} if report.leading else {"first.doubt", "first.stop", "first.decision"}
    first = [line for line in report.first if line.label and _code(line) not in over]
    said_first = {action for line in first for action in line.actions}
    care = _placed([one for one in report.cautions if one.action not in said_first], there, to)
    stops = report.stops[0 if report.leading else 1 :]
    return {
        "lead": " ".join(finished(part, to) for part in lead(report)),
        "stops": [say(note("report.stop", sign=sign), to) for sign in stops],
        "first": [
            Row(say(line.label, to), say(line.said, to), _short(report.warned(*line.actions), to)) for line in first
        ],
        "lines": _rows(facts, care, to),
        "lists": tables,
        "care": care,
    }


def _rows(facts: list[Fact], care: Mapping[str, tuple[str, ...]], to: Manner) -> list[Row]:
    """The answers, cautions before the first of those they belong to."""
    first = {fact.key: number for number, fact in reversed(list(enumerate(facts)))}
    return [
        Row(
            say(Note(QUESTIONS[fact.key]), to),
            finished(fact.text, to),
            care.get(fact.key, ()) if fact.key not in _APART and first[fact.key] == number else (),
        )
        for number, fact in enumerate(facts)
    ]


def _short(cautions: tuple[Caution, ...], to: Manner) -> tuple[str, ...]:
    return tuple(finished(line, to) for line in in_short(cautions))


def _placed(cautions: list[Caution], there: set[str], to: Manner) -> dict[str, tuple[str, ...]]:
    """Cautions by what they stand beside; those whose action is nowhere on the page under "before"."""
    placed = dict[str, list[Caution]]()
    for one in cautions:
        where = next((name for name in _BESIDE.get(one.action, ()) if name in there), "before")
        placed.setdefault(where, []).append(one)
    nothing = dict.fromkeys(_APART, ())
    return nothing | {where: _short(tuple(those), to) for where, those in placed.items()}


def _lists(report: Report, to: Manner) -> Iterator[tuple[str, dict[str, Any]]]:
    """What is worked through at the wall: every dot, every ridge and low, in the order they are done."""
    for name, called in _LISTS.items():
        section = report.section(name)
        for table in () if section is None else section.tables[:1]:
            if table.rows:
                remarks = (
                    [finished(printed(said), to) for said in section.remarks] if section and name == "lows" else []
                )
                yield called, {"remarks": remarks, **_shown(table, to)}


def _shown(table: Table, to: Manner) -> dict[str, Any]:
    """A table in words; columns that say nothing in any row are left out, and what a row notes stands below it."""
    rows = table.texts(to.units)
    known = [column.key for column in table.columns]
    kept = [k for k, key in enumerate(known) if key != "note" and any(row[k] not in ("", "-") for row in rows)]
    noted = known.index("note") if "note" in known else None
    heads = table.headings(to.units)
    return {
        "title": say(printed(table.title), to),
        "heads": [heads[k] for k in kept],
        "rows": [[row[k] for k in kept] for row in rows],
        "noted": ["" if noted is None or row[noted] == "-" else row[noted] for row in rows],
    }

"""What is asked, in the words of the trade; "don't know" is always an answer, and what it costs stands beside it."""

from __future__ import annotations

from dataclasses import dataclass

from flatscan import standards
from flatscan.core.choices import METHODS, SIGNS, SURFACES
from flatscan.core.notes import Note, in_unit, note
from flatscan.core.quantity import COVER, cubic_metres, metres, share
from flatscan.core.units import METRES_PER
from flatscan.jobs.settings import CLOUD_TYPE, DEFAULT_LIMIT, DEFAULT_RULE, DEFAULT_SYSTEM
from flatscan.plan import systems
from flatscan.plan.coats import bags_per_m3
from flatscan.plan.finish import PlaneOptions
from flatscan.plan.lows import LIMIT as LOW_LIMIT
from flatscan.plan.takeoff import TakeOffOptions
from flatscan.relief import TYPES, capture_type
from flatscan.report.say import Said

UNKNOWN = "dont-know"


@dataclass(frozen=True, slots=True)
class Purpose:
    """What a survey is for: ``command`` is the one it runs, ``said`` what comes out of it."""

    name: str
    title: str
    said: str
    command: str


PURPOSES = (
    Purpose("quote", "Price the job", "How much, how many bags, which hump sets it, what cutting saves.", "survey"),
    Purpose("set-out", "Set out the screeds", "Where the screeds stand, and the packing at each dot.", "setout"),
    Purpose("after-ruling", "Check after ruling off", "Which low spots to fill and which ridges to shave.", "lows"),
    Purpose("hand-over", "Hand the wall over", "Is it within the limit, with its ±, and a record of it.", "check"),
    Purpose("dispute", "Settle an argument", "The same, sealed in a file the other side can check.", "check"),
)


@dataclass(frozen=True, slots=True)
class Choice:
    """One answer to choose: its value, its words, and in small print what follows from it."""

    value: str
    words: Said
    small: Said = ""


@dataclass(frozen=True, slots=True)
class Question:
    """One question: ``kind`` is choice, ticks or length; ``unit`` is what a bare number means.

    ``later``: it may as well be left alone by whoever has never thought of it, and stands behind the others.
    ``unknown`` says what is taken where the answer is not known, and ``cost`` what that costs in ±.
    """

    name: str
    ask: str
    kind: str
    choices: tuple[Choice, ...] = ()
    unit: str = "mm"
    example: str = ""
    unknown: Said = ""
    cost: Said = ""
    why: Said = ""
    later: bool = False


_CAPTURES = {
    "scanner": "A scanner on a tripod",
    "phone-static": "A phone or tablet, held still in one place",
    "phone-walk": "A phone or tablet, walking along the wall",
    "photogrammetry": "Many photos, put together by a program",
    "depth-photo": "One depth photo",
    "laser-line": "A photo of a laser line",
}
_METHODS = (
    "Resting on the wall, gap read between where it touches",
    "On two equal blocks",
    "Balanced on the hump under it",
)
_SURFACES = ("Bare brick, block or stone", "Old plaster that stays on", "Old plaster that comes off")


def questions(purpose: str, *, is_scan: bool, units: str) -> tuple[Question, ...]:
    """What to ask for a purpose, the answer that matters most first; ``units`` "mm" or "in" is how examples are told.

    Raises `StopIteration` for a purpose that is none.
    """
    command = next(p.command for p in PURPOSES if p.name == purpose)
    asked = [how_captured()] if is_scan else []
    asked += {
        "survey": lambda: [_surface(units), _system(), _least(units), _signs(), *_more(units), _mix(), _start()],
        "setout": lambda: [_rule(units), _least(units), _strip(units), *_more(units)],
        "lows": lambda: [_rule(units), _low_limit(units)],
        "check": lambda: [_tolerance(), _rule(units), _limit(units), _method(), _plumb(units)],
    }[command]()
    return tuple(asked)


def how_captured() -> Question:
    """How the scan was made: it decides more of the ± than anything else."""
    choices = tuple(Choice(name, text, _under(name)) for name, text in _CAPTURES.items())
    return Question(
        "capture_type",
        "How was it scanned?",
        "choice",
        choices,
        unknown="Taken as a phone walked along the wall, unless the file itself says how it was made.",
        cost=note("desk.capture-cost", usual=_under(CLOUD_TYPE), best=_under("scanner")),
    )


def _under(name: str) -> Note:
    return note("desk.gap-spread", gap=metres(0.0, TYPES[name].chord), rule=metres(2.0))


def tape_cost(kind: str) -> Note:
    """What it costs not to tape the wall: lengths of this capture type, and areas, at 95 %."""
    scale = capture_type(kind).scale
    return note("desk.tape-cost", length=share(COVER * scale), area=share(2 * COVER * scale))


def _each(units: str) -> tuple[float, Note]:
    """The area that covers are thought of by [m2], and its name."""
    if units == "in":
        return METRES_PER["ft"] ** 2, note("desk.square-foot")
    return 1.0, note("desk.square-metre")


def _surface(units: str) -> Question:
    low, high = TakeOffOptions().old_plaster
    area, each = _each(units)
    half = cubic_metres((high - low) / 2 * area)
    return Question(
        "surface",
        "What did you measure?",
        "choice",
        tuple(Choice(name, said) for name, said in zip(SURFACES, _SURFACES, strict=True)),
        unknown="Taken as bare.",
        cost=note("desk.surface-cost", low=metres(low), high=metres(high), half=half, each=each),
    )


def _system() -> Question:
    loaded = [systems.load(name) for name in systems.available()]
    bags = {system.name: bags_per_m3(system) for system in loaded}
    usual = bags[DEFAULT_SYSTEM] or 1.0
    known = [count / usual for count in bags.values() if count is not None]
    return Question(
        "system",
        "What goes on the wall?",
        "choice",
        tuple(Choice(system.name, system.title[:1].upper() + system.title[1:]) for system in loaded),
        unknown=note("desk.taken-as", what=systems.load(DEFAULT_SYSTEM).title),
        cost=note("desk.system-cost", low=share(min(known)), high=share(max(known))),
    )


def _least(units: str) -> Question:
    area, each = _each(units)
    sixteenth = cubic_metres(METRES_PER["in"] / 16 * area)
    return Question(
        "least",
        "How much cover at the highest point, at least?",
        "length",
        example=_example("5 mm", "1/4 in", units),
        unknown=_taken_as(PlaneOptions().least),
        cost=note("desk.sixteenth", more=sixteenth, each=each) if units == "in" else note("desk.millimetre", each=each),
    )


def _taken_as(length: float) -> Note:
    return note("desk.taken-as", what=note("report.length", length=metres(length)))


def _more(units: str) -> list[Question]:
    return [
        Question(
            "most",
            "How thick may it get at most?",
            "length",
            example=_example("25 mm", "1 in", units),
            unknown="The wall decides.",
            cost="Without it no place is called too thick.",
            later=True,
        ),
        Question(
            "finish",
            "How thick is the last coat?",
            "length",
            example=_example("2 mm", "1/16 in", units),
            unknown="As the material's own file has it; 0 for none.",
            cost="Dots and strips stand behind the finished face by as much.",
            later=True,
        ),
    ]


def _mix() -> Question:
    return Question(
        "mix",
        "What is the mix, if you mix on site?",
        "text",
        example="1:4",
        unknown="As the material's own file has it.",
        cost="Only the bags, the sand and the price change.",
        why="Binder to sand, by volume.",
        later=True,
    )


def _start() -> Question:
    return Question(
        "start",
        "When does the work start?",
        "text",
        example="7:30",
        unknown="The sheet of the day has hours after the start.",
        cost="No number changes.",
        later=True,
    )


def _signs() -> Question:
    return Question(
        "seen",
        "Did you see any of these on the wall?",
        "ticks",
        tuple(Choice(name, name[:1].upper() + name[1:]) for name in SIGNS),
        unknown="If nothing is ticked, it is taken that nobody looked.",
        cost="No number changes, but the measurement cannot see them either.",
    )


def _rule(units: str) -> Question:
    return Question(
        "rule",
        "How long is your straightedge?",
        "length",
        unit="m",
        example=_example("1.8 m", "72 in", units),
        unknown=_taken_as(DEFAULT_RULE),
        cost="The wall stays the same, but a shorter straightedge finds smaller gaps.",
    )


def _limit(units: str) -> Question:
    return Question(
        "limit",
        "What gap does your contract allow under it?",
        "length",
        example=_example("3 mm", "1/8 in", units),
        unknown=note("desk.limit-unknown", limit=metres(DEFAULT_LIMIT), rule=metres(DEFAULT_RULE)),
        cost="Yours may be another, and then the answer is another.",
    )


def _method() -> Question:
    return Question(
        "method",
        "How does your contract have the straightedge read?",
        "choice",
        tuple(Choice(name, words) for name, words in zip(METHODS, _METHODS, strict=True)),
        unknown="Resting and balanced are both tried; where they differ, the answer is neither yes nor no.",
        cost="A bow is flat by one of them and not by the other.",
    )


def _plumb(units: str) -> Question:
    return Question(
        "plumb_limit",
        "How far may it be out of plumb over its height?",
        "length",
        example=_example("8 mm", "3/8 in", units),
        unknown="Plumb is measured, not judged.",
        cost="The rest of the answer stays the same.",
    )


def _low_limit(units: str) -> Question:
    return Question(
        "low_limit",
        "Which hollows are worth filling?",
        "length",
        example=_example("2 mm", "1/16 in", units),
        unknown=note("desk.low-limit-unknown", limit=metres(LOW_LIMIT)),
        cost="Shallower ones are left out of the list.",
    )


def _strip(units: str) -> Question:
    return Question(
        "strip",
        "How thick are your strips, if you use any?",
        "length",
        example=_example("8 mm", "5/16 in", units),
        unknown="Packing is given to the face of the screed.",
        cost="Packing is larger by the strip's thickness.",
    )


def _tolerance() -> Question:
    entries = [entry for entry in standards.available() if entry.criterion == "flatness"]
    return Question(
        "tolerance",
        "Does the contract name a document?",
        "pick",
        tuple(map(_entry, entries)),
        unknown="Judged by the gap entered below.",
        cost="The numbers stay the same; the contract's document and edition decide.",
        why="Only if it does. Its own straightedge and limit then count.",
    )


def _entry(entry: standards.Tolerance) -> Choice:
    more = note("desk.entry-more") if len(entry.limits) > 1 else ""
    undecided = "" if entry.decides else note("desk.entry-undecided")
    limit, rule = in_unit(entry.limits[0], entry.unit), in_unit(entry.lengths[0], entry.length_unit)
    named = note("desk.entry", document=entry.document, edition=entry.edition, applies=entry.applies_to)
    return Choice(entry.id, named, note("desk.entry-limit", limit=limit, rule=rule, more=more, undecided=undecided))


def _example(metric: str, inches: str, units: str) -> str:
    return inches if units == "in" else metric


def what_for(name: str) -> Purpose | None:
    """The purpose of that name, None where none was chosen."""
    return next((purpose for purpose in PURPOSES if purpose.name == name), None)

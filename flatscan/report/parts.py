"""The one report of a result: sections of values, sentences, facts, tables and drawings; every format is a rendering.

A number stands in a report once, as a quantity among the values of its section or in a row of a table. Sentences and
facts carry the same quantities by name, so that no rendering works a number out, and none can differ.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from flatscan import __version__
from flatscan.core.notes import Caution, Note, Unknown, note
from flatscan.core.quantity import Quantity
from flatscan.jobs.doubts import Doubt
from flatscan.jobs.job_plan import JobRecord, Statement
from flatscan.report.say import Said
from flatscan.report.tables import Table

if TYPE_CHECKING:
    from flatscan.report.bands import Spot
    from flatscan.report.drawings import BandedDrawing, Drawing, Place
    from flatscan.report.sections.day_section import DaySheet

Values = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Fact:
    """One line of paper, page or desk: ``key`` names it in the words of [fact] and [ask], ``text`` is what is known."""

    key: str
    text: Said


@dataclass(frozen=True, slots=True)
class TitleCell:
    """One cell of a title block: its ``head``, what stands big in it, and the ``small`` words under that."""

    head: Note
    big: Said
    small: Said


@dataclass(frozen=True, slots=True)
class FirstLine:
    """One of the first five lines of a screen: what it is about (empty: it stands over all others), and the answer.

    ``actions`` are what it asks somebody to do that can hurt.
    """

    label: Said
    said: Said
    actions: tuple[str, ...] = ()


# hex digits of a capture's SHA-256 on paper, as many as a plan's fingerprint has
MARK = 8


@dataclass(frozen=True, slots=True)
class Source:
    """Where the numbers come from: the capture's file, its hash or the word for none, its declared type.

    ``earlier`` is the hash of the survey it is compared with, empty where there is none.
    """

    file: str
    sha256: str = "none"
    capture_type: str = ""
    earlier: str = ""
    tool: str = f"flatscan {__version__}"


@dataclass(frozen=True, eq=False)
class Section:
    """A part of a report under its ``name``, which is its key in the result document.

    ``values`` are what the document holds: quantities, counts, words, notes, reasons why a number is not there, or more
    of these by name. ``headline`` are sentences for one screen, ``facts`` lines for paper and page, ``remarks`` what is
    said after its tables, ``answers`` what somebody at the wall asks first, for the page. ``listed`` is the table that
    stands in the document in place of values, ``empty`` why nothing does. A section can be for readers only.
    """

    name: str
    values: Values | Quantity | tuple[Any, ...] = field(default_factory=dict)
    headline: tuple[Said, ...] = ()
    facts: tuple[Fact, ...] = ()
    tables: tuple[Table, ...] = ()
    remarks: tuple[Said, ...] = ()
    answers: tuple[Fact, ...] = ()
    listed: Table | None = None
    empty: Unknown | None = None
    in_document: bool = True


@dataclass(frozen=True, eq=False)
class Report:
    """All there is to say of one wall by one job, in reading order.

    ``lead``, the ``stops`` that fire and ``cautions`` stand before all quantities. ``notes`` are the doubts and
    choices, the weightiest first; ``not_examined`` closes every rendering. ``cells`` are those of a title block, the
    wall's first; ``spots`` are all numbered ones, those of the largest gaps last. ``background`` is the report of an
    earlier surface that was judged by a limit of its own. ``first`` are the lines that answer at once, ``doubts`` what
    could be wrong with them, the heaviest first. ``stage`` is how far the job is, ``job`` whose it is, ``fingerprint``
    that of its plan. ``day`` is what the sheet for the wall is drawn from.
    """

    command: str
    name: Said
    sections: tuple[Section, ...]
    cautions: tuple[Caution, ...] = ()
    stops: tuple[Note, ...] = ()
    lead: tuple[Said, ...] = ()
    notes: tuple[Said, ...] = ()
    not_examined: tuple[Said, ...] = ()
    record: Said = ""
    background: Report | None = None
    source: Source = Source("")
    cells: tuple[TitleCell, ...] = ()
    drawings: tuple[Drawing, ...] = ()
    spots: tuple[Spot, ...] = ()
    day: DaySheet | None = None
    first: tuple[FirstLine, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    stage: str = "quote"
    fingerprint: str = ""
    job: JobRecord = JobRecord()
    statements: tuple[Statement, ...] = ()
    stated_stage: bool = False

    @property
    def marks(self) -> Note:
        """What every foot carries, so that a paper can be matched by eye: the day, captures, plan and report number."""
        day = self.job.captured
        return note("report.marks-of-day", day=day, marks=self._marks) if day else self._marks

    @property
    def _marks(self) -> Note:
        number, plan = self.job.number or self.job.report, self.fingerprint or note("report.none")
        report = note("report.mark-number", number=number) if number else note("report.mark-no-number")
        capture, earlier = self.source.sha256[:MARK], self.source.earlier[:MARK]
        if not earlier:
            return note("report.marks", capture=capture, plan=plan, report=report)
        return note("report.marks-of-two", earlier=earlier, capture=capture, plan=plan, report=report)

    def warned(self, *actions: str) -> tuple[Caution, ...]:
        """The cautions of these actions."""
        return tuple(caution for caution in self.cautions if caution.action in actions)

    def warned_but(self, *actions: str) -> tuple[Caution, ...]:
        """The cautions without those of these actions; those of all work alone, which warn of nothing, are none."""
        kept = tuple(caution for caution in self.cautions if caution.action not in actions)
        return kept if any(caution.action != "all" for caution in kept) else ()

    def section(self, name: str) -> Section | None:
        """The section of that name, None where the job has none."""
        return next((section for section in self.sections if section.name == name), None)

    def shown_on(self, place: Place) -> tuple[Drawing, ...]:
        """The drawings of a place: those with a picture of their own, those on paper, those of the page."""
        return tuple(drawing for drawing in self.drawings if place in drawing.places)

    def maps(self) -> dict[str, BandedDrawing]:
        """The banded drawings by what they show; without ``relief`` no wall was captured."""
        from flatscan.report.drawings import BandedDrawing

        return {drawing.shows: drawing for drawing in self.drawings if isinstance(drawing, BandedDrawing)}

    @property
    def leading(self) -> Said:
        """The doubt that stands over everything until it is settled, empty where none does."""
        return next((line.said for line in self.first[:1] if not line.label), "")

    @property
    def doubt(self) -> Said:
        """The heaviest doubt of those that decide nothing, as the first screen says it; empty where there is none."""
        kept = (line.said for line in self.first if isinstance(line.label, Note) and line.label.code == "first.doubt")
        return next(kept, "") if self.doubts else ""

    def beside(self, *, shown: bool, more: bool) -> tuple[Said, ...]:
        """Notes that stand beside the first screen: those of doubts that change the work, and with ``more`` all others.

        Where the first lines were ``shown`` what stands in them is not said again; a report without them says its notes
        among its sentences.
        """
        if not self.first:
            return () if shown else self.notes
        first = {
            said
            for doubt in self.doubts[: int(shown and bool(self.leading or self.doubt))]
            for said in doubt.stands_for
        }
        acting = [said for doubt in self.doubts if doubt.acts for said in doubt.stands_for]
        chosen = self.notes if more else tuple(said for said in self.notes if said in acting)
        return tuple(said for said in chosen if said not in first)

    def quantities(self) -> Iterator[tuple[str, Quantity]]:
        """Every quantity of the values, by its path in the document."""
        for section in self.sections:
            yield from _quantities(section.values, section.name)


def in_short(cautions: Iterable[Caution]) -> tuple[Note, ...]:
    """Cautions where there is little room: a line for each action, in their order."""
    by_action: dict[str, list[Caution]] = {}
    for one in cautions:
        by_action.setdefault(one.action, []).append(one)
    return tuple(_line(action, phrases(those)) for action, those in by_action.items())


def _line(action: str, parts: tuple[Note, ...]) -> Note:
    if action == "all":
        return note("report.list", parts=parts)
    return note("caution-in-short.line", action=Note(f"caution-before.{action}"), parts=parts)


def phrases(cautions: Iterable[Caution]) -> tuple[Note, ...]:
    """Each caution in a phrase."""
    return tuple(Note(one.code.replace("caution.", "caution-in-short.", 1), None, one.pairs) for one in cautions)


def _quantities(values: object, path: str) -> Iterator[tuple[str, Quantity]]:
    if isinstance(values, Quantity):
        yield path, values
    elif isinstance(values, Mapping):
        for key, value in values.items():
            yield from _quantities(value, f"{path}.{key}")
    elif isinstance(values, tuple):
        for value in values:
            yield from _quantities(value, path)


def notes_in(text: Said) -> Iterator[Note]:
    """A note and the notes among its quantities."""
    if isinstance(text, Note):
        yield text
        for value in text.quantities.values():
            for part in value if isinstance(value, tuple) else (value,):
                yield from notes_in(part) if isinstance(part, Note) else ()

"""A result becomes its report: which sections it has, what stands before them and what closes them."""

from __future__ import annotations

from collections.abc import Iterator

from flatscan.core.choices import BOTH
from flatscan.core.notes import Caution, Note, note
from flatscan.core.quantity import metres, share
from flatscan.jobs import (
    Change,
    Check,
    Lows,
    LowsByHand,
    Planned,
    Result,
    SetOut,
    SiteWall,
    Survey,
    Tested,
    gaps_in,
    verdict_in,
)
from flatscan.jobs.actions import cautions_in
from flatscan.jobs.doubts import doubts_by_hand, doubts_of
from flatscan.plan import stops as signs
from flatscan.plan.takeoff import TakeOff
from flatscan.report.drawings import BandedDrawing, Drawing, drawings_of, limit_of, spots_of
from flatscan.report.parts import Report, Section, Source, in_short
from flatscan.report.say import Said
from flatscan.report.sections.change_section import change_section
from flatscan.report.sections.day_section import DaySheet, day_section, day_sheet, together_section
from flatscan.report.sections.extra_section import extra_section
from flatscan.report.sections.first_lines import first_by_hand, first_lines
from flatscan.report.sections.gap_section import curve, flatness, hand_table, verdict_section
from flatscan.report.sections.hacking_section import hacking
from flatscan.report.sections.job_section import job_section, record_section
from flatscan.report.sections.plan_section import corners, extras, material, order_section, survey_sections
from flatscan.report.sections.seen_section import seen_sections, spot_section, wall_name
from flatscan.report.sections.settings_section import settings_section
from flatscan.report.sections.title_section import title_cells
from flatscan.report.sections.work_section import hand_lows, low_sections, set_out
from flatscan.report.tables import Table
from flatscan.verdict import Verdict

# how far a job is where its plan does not say
_STAGES = {
    "survey": "quote",
    "site": "quote",
    "setout": "set-out",
    "lows": "after-ruling",
    "check": "hand-over",
    "compare": "hand-over",
}


def report_of(result: Result | LowsByHand) -> Report:
    """The report of any result of one wall."""
    if isinstance(result, LowsByHand):
        return _by_hand(result)
    spots, drawings = spots_of(result), drawings_of(result)
    bands = next(it.table() for it in drawings if isinstance(it, BandedDrawing) and it.name == "contour")
    # those of a build-up stand with it on paper too, others with the drawings' spots
    beside, planned = ((), (bands,)) if isinstance(result, Survey) else ((bands,), ())
    notes = tuple(dict.fromkeys(_notes(result)))
    doubts, job, cautions = doubts_of(result, notes), result.job, cautions_in(result)
    # the heaviest doubt's own note first, here as on screen
    notes = tuple(dict.fromkeys([*(said for doubt in doubts for said in doubt.stands_for if said in notes), *notes]))
    return Report(
        command=result.command,
        name=wall_name(result.seen),
        sections=(
            *seen_sections(result),
            spot_section(spots, *beside),
            *_sections(result, planned),
            *_corners(result),
            job_section(result),
            record_section(result),
            *_program(result, cautions),
            settings_section(result),
        ),
        cautions=cautions,
        stops=_stops(result),
        lead=_lead(result),
        notes=notes,
        not_examined=tuple(_not_examined(result)),
        record=note("report.record"),
        background=_background(result),
        source=_source(result),
        cells=title_cells(result),
        drawings=drawings,
        spots=spots,
        day=_day_sheet(result, drawings, cautions),
        first=first_lines(result, doubts),
        doubts=doubts,
        stage=job.stage or _STAGES[result.command],
        fingerprint=job.fingerprint,
        job=job.job,
        statements=job.statement,
        stated_stage=job.stage is not None,
    )


def _source(result: Result) -> Source:
    origin = result.origin
    earlier = (result.earlier.origin.sha256 or "none") if isinstance(result, Change) else ""
    return Source(origin.file, origin.sha256 or "none", result.seen.capture_type, earlier=earlier)


def _day_sheet(result: Result, drawings: tuple[Drawing, ...], cautions: tuple[Caution, ...]) -> DaySheet | None:
    if not isinstance(result, (Survey, SetOut)):
        return None
    return day_sheet(result, next(it.on for it in drawings if isinstance(it, BandedDrawing)), cautions)


def _background(result: Result) -> Report | None:
    if isinstance(result, Change) and result.background is not None:
        return report_of(result.background.check)
    return None


def _by_hand(found: LowsByHand) -> Report:
    doubts = doubts_by_hand(found)
    return Report(
        command="lows",
        name=found.file,
        sections=hand_lows(found),
        cautions=cautions_in(found),
        notes=(*found.notes, note("report.bowls")),
        not_examined=(note("report.never"),),
        record=note("report.record"),
        source=Source(found.file, found.sha256),
        first=first_by_hand(found, doubts),
        doubts=doubts,
        stage=_STAGES["lows"],
    )


def _sections(result: Result, bands: tuple[Table, ...]) -> Iterator[Section]:
    """What the job itself found, in the order of the document."""
    if isinstance(result, Survey):
        verdict = result.verdict if isinstance(result, SiteWall) else None
        yield from _tested(result, verdict)
        yield from survey_sections(result, bands)
        if result.beyond is not None:
            yield extra_section(result.beyond)
    elif isinstance(result, Check):
        yield from _tested(result, result.verdict)
    elif isinstance(result, SetOut):
        yield material(result.plan)
        yield hacking(result.plan)
        yield order_section(result.plan)
        yield set_out(result.screeds)
        yield extras(result.plan)
    elif isinstance(result, Lows):
        yield flatness(result.gaps, BOTH, None, None, result.relief)
        yield from low_sections(result)
    elif isinstance(result, Change):
        yield change_section(result)
        yield from _tested(result, result.verdict)


def _program(result: Result, cautions: tuple[Caution, ...]) -> Iterator[Section]:
    """The steps of the work, where some was planned."""
    if isinstance(result, (Survey, SetOut)):
        parts = (day_section(result, cautions), together_section(result, cautions))
        yield from (part for part in parts if part is not None)


def _corners(result: Result) -> Iterator[Section]:
    if result.seen.corners:
        yield corners(result.seen.corners)


def _tested(result: Survey | Check | Change, verdict: Verdict | None) -> Iterator[Section]:
    tested = result if isinstance(result, Tested) else None
    tolerance, method = (None, BOTH) if tested is None else (tested.tolerance, tested.method)
    yield flatness(result.gaps, method, limit_of(verdict), tolerance, result.relief)
    if verdict is not None:
        either = result.either if isinstance(result, Check) else ()
        yield verdict_section(verdict, result.gaps, result.relief, either)
        beside = (curve(verdict), hand_table(() if tested is None else tested.hand))
        yield from (Section(table.name, listed=table, tables=(table,)) for table in beside if table.rows)


def _plan(result: Result) -> Planned | None:
    if isinstance(result, (Survey, SetOut)):
        return result.plan
    if isinstance(result, Change) and result.variation is not None:
        return result.variation.survey.plan
    return None


def _stops(result: Result) -> tuple[Note, ...]:
    plan = _plan(result)
    return () if plan is None else plan.take_off.stops


def _lead(result: Result) -> tuple[Said, ...]:
    """What stands first: a plan that cannot be, old plaster that stays or comes off, and that no stop sign fires."""
    if not isinstance(result, (Survey, SetOut)):
        return ()
    order: TakeOff = result.plan.take_off
    lead = (order.lead,) if order.surface != "bare" and order.lead is not None else ()
    return (*lead, *(() if order.stops else (signs.NO_STOP,)))


def _notes(result: Result) -> Iterator[Said]:
    """Everything worth saying beside the numbers, the reader's doubts first."""
    plan = _plan(result) if isinstance(result, (Survey, SetOut)) else None
    gaps = gaps_in(result)
    found: list[Said] = [*result.notes]
    found += () if plan is None else plan.notes
    found += () if gaps is None else gaps.notes
    yield from found


def _not_examined(result: Result) -> Iterator[Note]:
    """What this record says nothing about; first what no survey of a shape can see."""
    relief, verdict = result.relief, verdict_in(result)
    yield note("report.never")
    missing = 1 - relief.covered_share
    if missing >= 0.0005:
        yield note("report.not-covered", share=share(missing))
    if not relief.known_between:
        yield note("report.between-stations")
    elif relief.smallest_feature is not None:
        yield note("report.narrower", width=metres(relief.smallest_feature))
    if relief.hidden:
        yield note("report.hidden", cells=relief.hidden)
    for name in () if verdict is None else verdict.not_judged:
        # parts of the wall are told with what was measured of it
        if not isinstance(name, Note):
            yield note("report.not-judged", name=name)


def short_cautions(report: Report) -> tuple[Said, ...]:
    """Stop signs and cautions for one screen."""
    return (*stop_signs(report), *in_short(report.cautions))


def stop_signs(report: Report) -> tuple[Note, ...]:
    """The stop signs that fire, each opened by the word."""
    return tuple(note("report.stop", sign=sign) for sign in report.stops)

"""A limit in words, made here for every rendering: value in its document's unit, what it is for, how, and by what."""

from __future__ import annotations

from collections.abc import Sequence

from flatscan.core.choices import BOTH, METHODS
from flatscan.core.notes import Note, in_unit, note
from flatscan.report.say import Said
from flatscan.standards import Tolerance
from flatscan.verdict import Criterion

_READ = {"one place": "limit.document-one-place", "memory": "limit.document-from-memory"}
_OVER = {
    "plumb": "limit.plumb",
    "step": "limit.step",
    "corner": "limit.corner",
    "square": "limit.square",
    "reveal": "limit.reveal",
}


def limit_of_criterion(criterion: Criterion) -> Note:
    """The one sentence for a criterion's limit."""
    entry, span = _judged_by(criterion)
    return limit_sentence(entry, criterion.limit, span)


def limit_sentence(entry: Tolerance, limit: float, span: Sequence[float] = ()) -> Note:
    """Value, straightedge or length, method, document, edition and clause of a ``limit`` [m] that an entry gives.

    ``span`` [m] is the length it is for, or from and to of the contacts' distance; empty where it is for none.
    """
    return note("limit.by", limit=_judged_how(entry, limit, span), source=limit_source(entry))


def limit_source(entry: Tolerance | None) -> Note:
    """Where a limit stands: document, edition and clause, or that it was entered."""
    if entry is None or not entry.published:
        return note("limit.entered")
    code = "limit.document"
    if not entry.sure:
        code = "limit.document-accepted" if entry.accepted else _READ[entry.read_as]
    return note(code, document=entry.document, edition=entry.edition, clause=entry.clause)


def limit_how(criterion: Criterion) -> Note:
    """A criterion's limit with what it is for and how, without where it stands."""
    entry, span = _judged_by(criterion)
    return _judged_how(entry, criterion.limit, span)


def limit_value(criterion: Criterion) -> Note:
    """A criterion's limit in the unit that it was given in."""
    return in_unit(criterion.limit, _judged_by(criterion)[0].unit)


def limit_in_short(criterion: Criterion) -> tuple[Note, Note]:
    """The limit with its length, and under it the method and where it stands, for a cell."""
    entry, span = _judged_by(criterion)
    limit, small = limit_value(criterion), limit_source(entry)
    if criterion.judges != "flatness":
        return note("limit.of", limit=limit, name=criterion.judges), small
    small = note("limit.by", limit=method_in_short(entry.method), source=small)
    if len(span) != 1:
        return note("limit.of", limit=limit, name=criterion.judges), small
    return note("limit.under", limit=limit, length=in_unit(span[0], entry.length_unit)), small


def _judged_by(criterion: Criterion) -> tuple[Tolerance, tuple[float, ...]]:
    """The entry behind a criterion, one entered by hand where it names none, and the length its limit is for."""
    if criterion.entry is not None:
        return criterion.entry, criterion.span
    span = criterion.span if criterion.rule is None else (criterion.rule,)
    method = criterion.method or METHODS[0]
    return Tolerance.entered(criterion.judges, criterion.limit, span[0] if span else 1.0, method), span


def _judged_how(entry: Tolerance, limit: float, span: Sequence[float]) -> Note:
    """A limit with what it is for, without where it stands."""
    value, lengths = in_unit(limit, entry.unit), [in_unit(one, entry.length_unit) for one in span]
    if entry.criterion == "flatness":
        if entry.method == "chord":
            if len(lengths) != 2:
                return note("limit.chord", limit=value)
            if span[0] == 0:
                return note("limit.chord-to", limit=value, stop=lengths[1])
            return note("limit.chord-apart", limit=value, start=lengths[0], stop=lengths[1])
        if not lengths:
            return note("limit.flat", limit=value, method=method_in_short(entry.method))
        return note("limit.flatness", limit=value, length=lengths[0], method=method_in_short(entry.method))
    if not lengths:
        return note("limit.of", limit=value, name=entry.criterion)
    said = note(_OVER[entry.criterion], limit=value, length=lengths[0])
    rate, per = entry.slope_at(span[0])
    if entry.interpolation != "pro rata" or abs(span[0] - per) < 1e-9:
        return said
    return note("limit.at-rate", limit=said, rate=in_unit(rate, entry.unit), per=in_unit(per, entry.length_unit))


def method_in_short(method: str) -> Said:
    """A method's name where there is little room."""
    return note("method.both-short") if method == BOTH else method

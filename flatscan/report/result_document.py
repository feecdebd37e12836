"""The result document: the values of a report's sections, key by key, as the JSON contract has them."""

from __future__ import annotations

import json
import numbers as kinds
from collections.abc import Iterable, Mapping, Sequence

from flatscan.core.errors import FlatscanError
from flatscan.core.notes import Caution, Note, Unknown
from flatscan.core.quantity import Quantity
from flatscan.jobs import LowsByHand, Result
from flatscan.jobs.doubts import Doubt
from flatscan.report.parts import Report, Section
from flatscan.report.reporting import report_of
from flatscan.report.say import say
from flatscan.report.tables import factor, rounded, unit_of

SCHEMA = 1
_NOT_KNOWN = Unknown("unknown.not-known")


def document(result: Result | LowsByHand | Report, files: Sequence[str] = ()) -> dict[str, object]:
    """The result document of one wall: plain dicts, lists, numbers rounded to 0.001, None for what is not known.

    ``files`` are the names of the sheets written beside it. Every null has its word in ``capture.warnings``.
    """
    report = result if isinstance(result, Report) else report_of(result)
    nulls: dict[str, Unknown] = {}
    document: dict[str, object] = {"schema": SCHEMA, "command": report.command, "cautions": cautioned(report.cautions)}
    document |= {section.name: _section(section, nulls) for section in report.sections if section.in_document}
    capture = document["capture"]
    assert isinstance(capture, dict)
    said = dict.fromkeys(say(text) for text in report.notes)
    capture["warnings"] = [*said, *(f"{path} is null: {say(why)}." for path, why in nulls.items())]
    document["notes"] = [{"code": n.code if isinstance(n, Note) else "", "text": say(n)} for n in report.notes]
    document["doubts"] = [_doubt(doubt) for doubt in report.doubts]
    document["files"] = list(files)
    return document


def cautioned(cautions: Iterable[Caution]) -> list[dict[str, str]]:
    """Cautions as a document has them, before what they warn of: code, action and words."""
    return [{"code": one.code, "action": one.action, "text": say(one)} for one in cautions]


def _doubt(doubt: Doubt) -> dict[str, object]:
    """What could be wrong, what settles it, and whether the answer is of use until then."""
    settles = say(doubt.settle)
    return {"code": doubt.said.code, "text": say(doubt.said), "settles": settles, "quotable": not doubt.decides}


def text(document: object) -> str:
    """A document, or a list of them, as text: the same input gives the same bytes."""
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2) + "\n"


def plain_values(values: Mapping[str, object]) -> dict[str, object]:
    """A mapping of values in SI units as it stands in a document of its own, in which a null needs no word."""
    return {name: plain(value, name, name, {}) for name, value in values.items()}


def _section(section: Section, nulls: dict[str, Unknown]) -> object:
    if section.empty is not None:
        return plain(section.empty, section.name, section.name, nulls)
    if section.listed is not None:
        return plain(section.listed.rows_as_values(), section.name, section.name, nulls)
    return plain(section.values, section.name, section.name, nulls)


def plain(value: object, key: str, path: str, nulls: dict[str, Unknown]) -> object:
    """A value as it stands in the document under ``key``; what is not known is None, its reason kept by its path.

    Raises `TypeError` for a quantity whose unit is not that of its key, and for what has no place in a document.
    """
    if value is None or isinstance(value, Unknown):
        nulls.setdefault(path, value if isinstance(value, Unknown) else _NOT_KNOWN)
        return None
    if isinstance(value, Quantity):
        if unit_of(key) != value.unit and not (unit_of(key) == "1" and value.unit in ("d", "h", "kg", "deg")):
            raise TypeError(f"{path}: a quantity in {value.unit} under a key in {unit_of(key)}")
        return _finite(value.value * factor(key), path, nulls)
    if isinstance(value, (Note, Caution, FlatscanError)):
        return say(value)
    if isinstance(value, Mapping):
        return {name: plain(part, name, f"{path}.{name}", nulls) for name, part in value.items()}
    if isinstance(value, (tuple, list)):
        return [plain(part, key, path, nulls) for part in value]
    if isinstance(value, (str, bool)):
        return value
    if isinstance(value, kinds.Integral):
        return int(value)
    if isinstance(value, kinds.Real):
        return _finite(float(value) * factor(key), path, nulls)
    raise TypeError(f"{path}: a {type(value).__name__} has no place in a document")


def _finite(value: float, path: str, nulls: dict[str, Unknown]) -> float | None:
    shown = rounded(value)
    if shown is None:
        nulls.setdefault(path, _NOT_KNOWN)
    return shown

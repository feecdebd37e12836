"""A recheck in words and as a document."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from flatscan.evidence.differences import Row
from flatscan.evidence.page_one import NOT_PROVEN
from flatscan.evidence.recheck import ALTERED, DIFFERENT, Report, Rerun

SCHEMA = 1
_HEADS = {
    "same": "SAME: unchanged since sealing, and every number comes out again.",
    ALTERED: "ALTERED: this is not the file that was sealed. Nothing was rerun.",
    DIFFERENT: "RECOMPUTES DIFFERENTLY: unchanged since sealing, but some numbers come out otherwise.",
}


def recheck_text(report: Report, *, every: bool = True) -> str:
    """The report for reading: the outcome, then each number beside the sealed one (``every``) or the differing ones."""
    return "\n".join(_lines(report, every))


def _lines(report: Report, every: bool) -> Iterator[str]:
    yield _HEADS[report.status]
    yield from (f"  - {problem}." for problem in report.problems)
    if report.seal is not None:
        yield f"Seal: {report.seal}"
    if report.status != ALTERED:
        signer = report.signed_by
        yield f"Signed by the key {signer}; whose key that is, is not proven here." if signer else "Not signed."
        sealed, now = report.versions
        for name in sealed:
            if sealed[name] != now.get(name):
                yield f"Sealed with {name} {sealed[name]}, rerun with {now.get(name, 'none')}."
        yield from _text_lines(report)
    for number, rerun in enumerate(report.reruns, 1):
        yield from _rerun_lines(number, rerun, every)
    yield NOT_PROVEN


def _text_lines(report: Report) -> Iterator[str]:
    """The sealed methods, and which of them this version words otherwise."""
    if not report.texts:
        yield "No methods were sealed with it."
        return
    yield f"Methods sealed with it: {', '.join(text.name for text in report.texts)}."
    for text in report.texts:
        if not text.same:
            now = "has no text of that name" if text.same is None else "words it otherwise"
            yield f"  methods/{text.name}.md: this version {now}; the sealed wording is what the results rely on."


def _rerun_lines(number: int, rerun: Rerun, every: bool) -> Iterator[str]:
    kinds = [row.state for row in rerun.rows]
    yield ""
    if rerun.trouble:
        yield f"Job {number}, {rerun.command}: {rerun.trouble}"
        return
    bytes_said = "result.json has the same bytes" if rerun.same_bytes else "result.json has other bytes"
    yield (
        f"Job {number}, {rerun.command}: {kinds.count('same')} entries the same, {kinds.count('rounding')} within "
        f"rounding, {kinds.count('wording')} worded otherwise, {kinds.count('different')} different; {bytes_said}."
    )
    told = [row for row in rerun.rows if row.state == "different"]
    told += [row for row in rerun.rows if row.state in ("rounding", "wording")]
    if told:
        yield "  not the same:"
        yield from (_row(row) for row in told)
    if every:
        yield f"  {'entry':40} {'sealed':>18} {'again':>18}"
        yield from (_row(row) for row in rerun.rows if isinstance(row.sealed, (int, float, type(None))))


def _row(row: Row) -> str:
    mark = "" if row.state == "same" else f"  <- {row.state}"
    return f"  {row.path:40} {_value(row.sealed):>18} {_value(row.again):>18}{mark}"


def _value(value: Any) -> str:
    said = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return said if len(said) <= 60 else f"{said[:57]}..."


def recheck_record(report: Report) -> dict[str, object]:
    """The report as a document."""
    return {
        "schema": SCHEMA, "command": "recheck", "status": report.status, "problems": list(report.problems),
        "seal": report.seal, "signed_by": report.signed_by, "not_proven": NOT_PROVEN,
        "sealed_with": report.versions[0], "rerun_with": report.versions[1],
        "methods": [{"name": text.name, "same": text.same} for text in report.texts],
        "jobs": [_rerun_record(rerun) for rerun in report.reruns],
    }  # fmt: skip


def _rerun_record(rerun: Rerun) -> dict[str, object]:
    rows = [{"path": row.path, "sealed": row.sealed, "again": row.again, "state": row.state} for row in rerun.rows]
    return {"command": rerun.command, "same_bytes": rerun.same_bytes, "trouble": rerun.trouble or None, "entries": rows}

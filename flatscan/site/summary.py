"""What a whole site comes to: one document out of its records, the same whatever order the walls were done in."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from flatscan.core.errors import FlatscanError
from flatscan.core.notes import Caution, Note, note
from flatscan.core.records import from_plain
from flatscan.plan.cautions import cautions_of
from flatscan.plan.coats import OrderLine, combined_order
from flatscan.report import say, text
from flatscan.report.result_document import cautioned
from flatscan.report.site_report import WallSaid, answers_csv, order_csv, site_page, walls_csv
from flatscan.report.tables import rounded
from flatscan.site.left_open import ANSWERS, Question
from flatscan.site.store import Record

SCHEMA = 1
NOT_JUDGED = "not judged"
# worst first
DECISIONS = ("outside", "undecided", NOT_JUDGED, "within")
_VOLUMES = ("volume_l", "volume_low_l", "volume_high_l", "order_l")
_NOTES = (note("site.sums-together"), note("site.rounded-once"))


def summed_up(
    records: Sequence[Record], *, site: str = "", questions: Sequence[Question] = (), kept: Sequence[str] = ()
) -> dict[str, Any]:
    """The summary of a site: walls worst first, what failed, totals, order, rooms worst first, what is asked.

    ``kept`` names results of captures that are no longer there.

    Its numbers are those of its document; notes and errors in it are still to be said, in the reader's units.
    """
    done = [record for record in records if record["status"] == "done"]
    walls = sorted((_row(record) for record in done), key=_worst_first)
    failed = [
        _labels(record) | {"file": record["file"], "error": from_plain(FlatscanError, record["error"])}
        for record in records
        if record["status"] != "done"
    ]
    return {
        "schema": SCHEMA,
        "command": "site",
        "site": site,
        "cautions": _cautions(done),
        "walls": walls,
        "failed": failed,
        "questions": [one.row() for one in questions],
        "kept": list(kept),
        "totals": _totals(walls, failed),
        "by_system": _by_system(walls),
        "by_trade": _by_trade(walls),
        "order": _order(done),
        "order_by_floor": _by_floor(done),
        "rooms": _rooms(walls, failed),
        "stops": _stops(done),
        "notes": _NOTES,
        "not_examined": note("report.never"),
    }


def document(summary: dict[str, Any]) -> dict[str, Any]:
    """A summary as a plain document: its words in mm as its numbers, without what only its readers get."""
    walls = [{name: value for name, value in row.items() if name != "judged"} for row in summary["walls"]]
    found: dict[str, Any] = _in_words(summary | {"walls": walls, "cautions": cautioned(summary["cautions"])})
    return found


def _in_words(it: Any) -> Any:
    if isinstance(it, dict):
        return {name: _in_words(value) for name, value in it.items()}
    if isinstance(it, (list, tuple)):
        return [_in_words(part) for part in it]
    return say(it) if isinstance(it, (Note, FlatscanError)) else it


def files(summary: dict[str, Any], units: str) -> dict[str, bytes]:
    """Names and contents of the summary's files: the page in ``units``, tables and document in mm."""
    asked = {ANSWERS: answers_csv(summary, units).encode()} if summary["questions"] else {}
    plain = document(summary) | {"files": ["site.html", "site.csv", "order.csv", *asked, "site.json"]}
    return asked | {
        "site.html": site_page(summary, units).encode(),
        "site.csv": walls_csv(plain).encode(),
        "order.csv": order_csv(plain).encode(),
        "site.json": text(plain).encode(),
    }


def _said(record: Record) -> WallSaid:
    return from_plain(WallSaid, record["said"])


def _labels(record: Record) -> dict[str, Any]:
    names = ("floor", "room", "name", "trade", "part", "number", "title")
    return {name: record[name] for name in names}


def _row(record: Record) -> dict[str, Any]:
    """One wall in the summary; lengths in mm as in its own document."""
    document = record["document"]
    verdict, flat, material = document.get("verdict"), document.get("flatness") or {}, document.get("material") or {}
    row = _labels(record) | {"decision": verdict["decision"] if verdict else NOT_JUDGED}
    row |= {"restricted": verdict["restricted"] if verdict else []}
    row |= _worst_criterion(verdict, _said(record))
    balanced = ("balanced_end_gap_mm", "balanced_end_gap_low_mm", "balanced_end_gap_high_mm")
    row |= {name: flat.get(name) for name in balanced} | {"u_balanced_end_gap_mm": flat.get("u_balanced_mm")}
    row |= {name: flat.get(name) for name in ("gap_mm", "gap_low_mm", "gap_high_mm", "u_gap_mm", "rule_mm")}
    row |= {"area_m2": document["wall"]["area_m2"], "covered_share": document["wall"]["covered_share"]}
    row |= {name: material.get(name) for name in ("system", "mean_mm", "most_mm", *_VOLUMES)}
    low, high = material.get("bags_range") or (None, None)
    row |= {"bags_low": low, "bags_high": high, "days": material.get("days"), "price": material.get("price")}
    row |= {"hacking_saves_l": max((hack["saves_l"] for hack in document.get("hacking") or []), default=0.0)}
    return row | {
        "stops": len(material.get("stops") or []),
        "file": record["file"],
        "sheets": f"walls/{record['slug']}",
        "files": sorted(record["sheets"]),
    }


def _worst_criterion(verdict: dict[str, Any] | None, said: WallSaid) -> dict[str, Any]:
    """The criterion nearest to, or furthest over, its limit, and its upper bound as a share of the limit."""
    listed = [] if verdict is None else list(zip(verdict["criteria"], said.criteria, strict=True))
    ratios = [(criterion, _ratio(criterion), judged) for criterion, judged in listed if criterion["limit_mm"]]
    known = [(criterion, ratio, judged) for criterion, ratio, judged in ratios if ratio is not None]
    names = ("value_mm", "lower_mm", "upper_mm", "limit_mm")
    if not known:
        none = {"over_limit": None, "depends_on_method": False, "judged": None}
        return {"criterion": None} | dict.fromkeys(names) | none
    criterion, ratio, judged = max(known, key=lambda found: (-DECISIONS.index(found[0]["decision"]), found[1]))
    row = {"criterion": criterion["name"]} | {name: criterion.get(name) for name in names}
    return row | {"over_limit": rounded(ratio), "depends_on_method": judged.depends, "judged": judged}


def _ratio(criterion: dict[str, Any]) -> float | None:
    value = criterion["value_mm"] if criterion["upper_mm"] is None else criterion["upper_mm"]
    return None if value is None else float(value / criterion["limit_mm"])


def _worst_first(row: dict[str, Any]) -> tuple[float, ...]:
    ratio = -1.0 if row["over_limit"] is None else row["over_limit"]
    return DECISIONS.index(row["decision"]), -ratio, -(row["gap_mm"] or 0.0)


def _sum(rows: Iterable[dict[str, Any]], name: str) -> float | None:
    """Sum of a column; None if there is none, or if one of its values is not known."""
    values = [row[name] for row in rows]
    return None if not values or any(value is None for value in values) else rounded(sum(values))


def _counted(rows: Sequence[dict[str, Any]]) -> dict[str, int]:
    return {"walls": len(rows)} | {
        name.replace(" ", "_"): sum(row["decision"] == name for row in rows) for name in DECISIONS
    }


def _totals(walls: Sequence[dict[str, Any]], failed: Sequence[dict[str, Any]]) -> dict[str, Any]:
    sums = {name: _sum(walls, name) for name in ("area_m2", *_VOLUMES, "days", "price")}
    weaker = sum(row["decision"] == "within" and bool(row["restricted"]) for row in walls)
    return _counted(walls) | {"within_restricted": weaker, "failed": len(failed)} | sums


def _groups(rows: Sequence[dict[str, Any]], *names: str) -> dict[tuple[Any, ...], list[dict[str, Any]]]:
    found: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for row in rows:
        found.setdefault(tuple(row[name] for name in names), []).append(row)
    return dict(sorted(found.items(), key=lambda pair: tuple(str(part or "") for part in pair[0])))


def _by_system(walls: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    names = ("area_m2", *_VOLUMES, "bags_low", "bags_high", "days", "price")
    return [
        {"system": system, "walls": len(rows)} | {name: _sum(rows, name) for name in names}
        for (system,), rows in _groups(walls, "system").items()
    ]


def _by_trade(walls: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    return [{"trade": trade} | _counted(rows) for (trade,), rows in _groups(walls, "trade").items()]


def _rooms(walls: Sequence[dict[str, Any]], failed: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Floors and rooms, the worst first: by their worst decision, then by how far their worst wall is over."""
    grouped, lost = _groups(walls, "floor", "room", "part"), _groups(failed, "floor", "room", "part")
    rooms = []
    for place in dict.fromkeys((*grouped, *lost)):
        rows = grouped.get(place, [])
        worst = min(rows, key=_worst_first, default=None)
        row = {"floor": place[0], "room": ", ".join(word.replace("-", " ") for word in place[1:] if word)}
        row |= _counted(rows) | {"failed": len(lost.get(place, []))}
        row |= {"decision": worst["decision"] if worst else None, "over_limit": worst["over_limit"] if worst else None}
        row |= {"restricted": worst["restricted"] if worst else []}
        row |= {"depends_on_method": bool(worst and worst["depends_on_method"])}
        row |= {"worst": worst["title"] if worst else None, "gap_mm": worst["gap_mm"] if worst else None}
        rooms.append(row | {"area_m2": _sum(rows, "area_m2"), "volume_l": _sum(rows, "volume_l")})
    return sorted(rooms, key=lambda row: (0, 0, 0) if row["decision"] is None else (1, *_worst_first(row)))


def _order(records: Iterable[Record]) -> list[dict[str, Any]]:
    lines = combined_order(_orders(records))
    return [_line(line) for line in sorted(lines, key=lambda line: (line.product, line.unit))]


def _orders(records: Iterable[Record]) -> list[tuple[OrderLine, ...]]:
    return [tuple(OrderLine(**line) for line in record["order"]) for record in records]


def _line(line: OrderLine) -> dict[str, Any]:
    amounts = {name: getattr(line, name) for name in ("kg", "low", "high", "order")}
    return {"product": line.product, "unit": line.unit} | {
        name: None if value is None else rounded(value) for name, value in amounts.items()
    }


def _by_floor(records: Sequence[Record]) -> list[dict[str, Any]]:
    """Where the order goes: what each floor takes of every product, not rounded to whole bags."""
    floors = sorted({record["floor"] for record in records})
    rows = []
    for floor in floors:
        for line in _order(record for record in records if record["floor"] == floor):
            rows.append({"floor": floor} | {name: v for name, v in line.items() if name not in ("kg", "order")})
    return rows


def _cautions(records: Sequence[Record]) -> tuple[Caution, ...]:
    """Those of all walls, as if they were one job, each once."""
    told = [one for record in records for one in record["document"].get("cautions", ())]
    return cautions_of({one["action"] for one in told}, {one["code"].partition(".")[2] for one in told})


def _stops(records: Sequence[Record]) -> list[dict[str, Any]]:
    return [{"title": record["title"], "stop": stop} for record in records for stop in _said(record).stops]

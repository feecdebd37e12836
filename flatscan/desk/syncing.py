"""What a phone noted at the wall comes in: entries merged station by station, with what somebody else entered said."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from flatscan.core.errors import BadValue
from flatscan.desk import station_states as states
from flatscan.desk.answering import spoken_to
from flatscan.desk.folders import Job, Plain
from flatscan.desk.station_doubts import Doubts, doubts_of
from flatscan.desk.stations import now, progress, recheck, save

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

TYPED, ENTERED, KEPT = "typing", "entered", "kept"
_MOST_ENTRIES, _MOST_WAS = 700, 20


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry at a station: its key, what kind, its text, and every text its phone knew to stand there before."""

    key: str
    kind: str
    text: str
    was: tuple[str, ...]


def reading(desk: Desk, name: str) -> Any:
    """Entries of a phone, in their order; gives back every station as it is now, and what others entered meanwhile."""
    from flask import jsonify, request

    mark, entries = _entries(request.get_json(silent=True))
    job = _with_readings(desk.jobs.get(name))
    if mark != job.settings["readings"]["mark"]:
        return jsonify(other_wall=True), 409
    there: dict[str, str] = {}
    found: Doubts = {}

    def merge(settings: Plain) -> None:
        held, last = settings["readings"], ""
        for entry in entries:
            if not _is_place(held, entry.key):
                # its place went when the wall was laid out anew: nobody may lose it without a word
                there[entry.key] = ""
            elif entry.kind == TYPED:
                states.put_typing(held, entry.key, entry.text)
            elif (other := states.conflict(held, entry.key, entry.text, entry.was)) is not None:
                there[entry.key] = other
            else:
                states.enter(held, entry.key, entry.text, keep=entry.kind == KEPT)
                last = entry.key
        found.update(recheck(held, last) if last else {})

    if entries:
        job = desk.jobs.note(name, merge)
        save(job)
    only_typed = bool(entries) and all(entry.kind == TYPED for entry in entries)
    return jsonify(at=time.time(), revision=job.revision, there=there, **({} if only_typed else _stations(job, found)))


def _stations(job: Job, found: Doubts) -> dict[str, Any]:
    held, to = job.settings["readings"], spoken_to(job)
    found = found or doubts_of(held)
    every = [*states.now(held, found)]
    done, count = progress(every)
    return {"done": done, "count": count, "stations": [now(station, found, to) for station in every]}


def _with_readings(job: Job) -> Job:
    if job.settings["readings"] is None:
        raise BadValue("readings", "no size of the wall yet", needed="its size", remedy="Go back one step")
    return job


def _is_place(held: Plain, key: str) -> bool:
    return any(one.key == key for one in states.places(held))


def _entries(sent: Any) -> tuple[Any, list[Entry]]:
    """Which wall a script means, and the entries it sent; anything else raises `BadValue`."""
    mark, made = (sent.get("mark"), sent.get("entries")) if isinstance(sent, dict) else (None, None)
    if not isinstance(made, list) or len(made) > _MOST_ENTRIES or not all(_is_entry(one) for one in made):
        raise BadValue("the page", "no readings", needed="a station and what was typed", remedy="Load it again")
    return mark, [Entry(one["key"], one["kind"], one["text"], tuple(one["was"])) for one in made]


def _is_entry(one: Any) -> bool:
    texts = isinstance(one, dict) and all(isinstance(one.get(name), str) for name in ("key", "kind", "text"))
    was = one.get("was") if texts else None
    return (
        isinstance(was, list)
        and len(was) <= _MOST_WAS
        and all(isinstance(text, str) for text in was)
        and one["kind"] in (TYPED, ENTERED, KEPT)
    )

"""Which settings of a job are not as by default, and which of those make a test weaker than it would be without them.

One place decides both: `changed` for every settings type, `restricted` for what a verdict must say of itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np

from flatscan.core.choices import SURFACES
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, share, square_metres
from flatscan.core.warp import CommonError
from flatscan.jobs.job_plan import JobPlan
from flatscan.jobs.results import Looked, Seen, Setting
from flatscan.jobs.settings import DEFAULT_RULE, DEFAULT_SYSTEM, USUAL_COVER, Capturing, Requirement
from flatscan.relief import capture_type
from flatscan.standards import Tolerance
from flatscan.straightedge.gaps import DEFAULT_DIRECTIONS

_SILENT = JobPlan()
# typed in mm per m
_SLOPES = frozenset({"lean_up_to", "turn_up_to"})
# settings that name files: what is said of one is its name, not where somebody keeps it
_FILES = frozenset({"repeat", "tie", "hand", "rates", "clash", "points", "same_wall"})
# what follows from others; and with a published entry so do rule and limit
_FOLLOWS = frozenset({"judges"})
_NAMES = {
    ("HackOptions", "most"): "hack_most",
    ("PlaneOptions", "fixed"): "fix",
    ("Requirement", "tolerances"): "tolerance",
}
_READ_AS = {"one place": "verdict.read-in-one-place", "memory": "verdict.read-from-memory"}
# under this confidence numbers are given and no decision; under the usual one the test is a weaker one
LEAST_CONFIDENCE, USUAL_CONFIDENCE = 0.90, 0.95
# spans [m] over which a warp stated by hand is held against that of the capture type
_SPANS = (0.2, 0.5, 1.0, 2.0, 4.0)
_CHOSEN = {"wall": "verdict.object-as-wall", "removed": "verdict.object-left-out"}


def changed(settings: Any, usual: Any = None, prefix: str = "") -> tuple[Setting, ...]:
    """Every setting that differs from ``usual`` (by default: from the defaults of its type), in their order.

    Lengths are in metres, as in the settings.
    """
    return tuple(_changed(settings, type(settings)() if usual is None else usual, prefix))


def _changed(settings: Any, usual: Any, prefix: str) -> Iterator[Setting]:
    by_entry = isinstance(settings, Requirement) and bool(settings.tolerances)
    follows = _FOLLOWS | ({"rule", "limit"} if by_entry else set())
    for item in fields(settings):
        value, default = getattr(settings, item.name), getattr(usual, item.name)
        if value == default or item.name in follows:
            continue
        if is_dataclass(value) and is_dataclass(default):
            yield from _changed(value, default, prefix)
            continue
        name = _NAMES.get((type(settings).__name__, item.name), item.name)
        yield Setting(f"{prefix}{name}", _plain(item.name, value), _plain(item.name, default))


def _plain(name: str, value: Any) -> Any:
    """A value without types of ours: entries by their id, files by their name, records as what they hold."""
    if isinstance(value, Tolerance):
        return value.id
    if isinstance(value, tuple):
        return tuple(_plain(name, part) for part in value)
    if is_dataclass(value):
        held = [(getattr(value, item.name), item.default) for item in fields(value)]
        # what is left as it is at the end of a record says nothing
        while len(held) > 1 and held[-1][0] == held[-1][1]:
            held.pop()
        return tuple(part for part, _ in held)
    return Path(value).name if name in _FILES and isinstance(value, str) else value


def said_by_plan(plan: JobPlan, listed: Sequence[Setting], stage: str) -> tuple[Setting, ...]:
    """What a plan says otherwise than by default and no setting that was used lists already, in the plan's order.

    A command that has no use for a part of its plan stands by all of it all the same: its fingerprint does. ``stage``
    is the command's usual one. Whose job it is and what was stated are no settings: they stand in their own places.
    """
    usual = {
        "least": USUAL_COVER,
        "rule": DEFAULT_RULE,
        "system": DEFAULT_SYSTEM,
        "stage": stage,
        "surface": SURFACES[0],
    }
    known = {one.name for one in listed} | {"wall", "job", "statement"}
    found = []
    for name, value in plan.options.items():
        default = usual.get(name, getattr(_SILENT, name))
        if name not in known and value != default:
            factor = 1e-3 if name in _SLOPES else None
            found.append(Setting(name, value * factor if factor else _plain(name, value), _plain(name, default)))
    return tuple(found)


def restricted(looked: Looked, requirement: Requirement) -> tuple[Note, ...]:
    """What weakens a test by these settings, as `Verdict.restricted` lists it; empty for one at full strength."""
    return tuple(
        said
        for part in (_by_requirement(requirement), _by_eye(looked), _by_capture(looked), _by_objects(looked))
        for said in part
    )


def _by_requirement(requirement: Requirement) -> Iterator[Note]:
    turns, usual = requirement.directions, len(DEFAULT_DIRECTIONS)
    laid = usual if turns is None else len({round(turn % 180.0, 9) % 180.0 for turn in turns})
    asked = [entry for entry in requirement.entries if entry.criterion == "flatness"]
    # a document that names its own directions is tested in full by them
    if laid < usual and not all(entry.directions for entry in asked):
        yield note("verdict.few-directions", directions=laid, usual=usual)
    for entry in requirement.entries:
        if entry.accepted and not entry.sure:
            yield note("verdict.source-accepted", entry=entry.id, read_as=note(_READ_AS[entry.read_as]))
    if requirement.confidence < USUAL_CONFIDENCE - 1e-9:
        yield note("verdict.less-sure", confidence=share(requirement.confidence), usual=share(USUAL_CONFIDENCE))


def _by_eye(looked: Looked) -> Iterator[Note]:
    """Openings, a region, the part of the points that count: drawn by somebody, not found."""
    how, aside = looked.seen.how, looked.relief.aside
    for left, bottom, right, top in how.opening:
        here = sum(part.area for part in aside if (part.left, part.bottom) == (left, bottom))
        size = {"width": metres(right - left), "height": metres(top - bottom)}
        if here > 0:
            yield note("verdict.opening-over-wall", (left, bottom), **size, area=square_metres(here))
        else:
            yield note("verdict.opening-by-hand", (left, bottom), **size)
    for left, bottom, right, top in (*how.pocket, *how.skip):
        yield note("verdict.part-left-out", (left, bottom), width=metres(right - left), height=metres(top - bottom))
    if how.region is not None:
        names = ("left", "bottom", "right", "top")
        sides = {name: metres(value) for name, value in zip(names, how.region, strict=True)}
        yield note("verdict.region-by-hand", None, **sides)
    if how.crop is not None:
        yield note("verdict.cropped")


def _by_capture(looked: Looked) -> Iterator[Note]:
    """Cells larger than the points ask for, a room side against the evidence, a common error stated too small."""
    seen = looked.seen
    for said in seen.notes:
        if said.code == "relief.larger-cells":
            yield note("verdict.larger-cells", None, **said.quantities)
        elif said.code == "wall.seen-from-against":
            yield note("verdict.side-against", by=said.quantities["by"])
    stated = warp_below_type(seen)
    if stated is not None:
        yield stated
    usual = Capturing().reading_u
    if seen.how.reading_u < usual - 1e-9 and (seen.tie is not None or not seen.relief.known_between):
        yield note("verdict.reading-u", u=metres(seen.how.reading_u), usual=metres(usual))


def _by_objects(looked: Looked) -> Iterator[Note]:
    return (note(_CHOSEN[one.state], (one.x, one.y)) for one in looked.wall.objects if one.chosen)


def warp_below_type(seen: Seen) -> Note | None:
    """That a warp was stated smaller than the capture type's own, where neither repeats nor readings show it so."""
    how = seen.how
    if how.warp is None or how.repeat or seen.tie is not None:
        return None
    own = capture_type(seen.capture_type).common_error()
    halves = np.array(_SPANS) / 2
    stated = CommonError(how.warp[0], how.warp[1]).u_gap(halves, halves)
    if (stated >= own.u_gap(halves, halves) - 1e-9).all():
        return None
    return note("verdict.warp-below", size=metres(how.warp[0]), own=metres(own.sd), type=seen.capture_type)


def numbers_only(looked: Looked, requirement: Requirement) -> Sequence[tuple[Note, tuple[str, ...]]]:
    """Why some criteria (all where none is named) have numbers and no decision: what was set cannot carry one."""
    found: list[tuple[Note, tuple[str, ...]]] = []
    if requirement.confidence < LEAST_CONFIDENCE - 1e-9:
        least = share(LEAST_CONFIDENCE)
        found.append((note("verdict.too-unsure", confidence=share(requirement.confidence), least=least), ()))
    if (below := warp_below_type(looked.seen)) is not None:
        found.append((note("verdict.warp-not-shown", None, **below.quantities), ("flatness",)))
    return found

"""Captures of a wall made again: refused where they are none, else their mean and what their differences show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from flatscan.core.errors import BadValue
from flatscan.core.notes import note
from flatscan.core.quantity import metres
from flatscan.jobs.results import Seen
from flatscan.jobs.settings import Capturing
from flatscan.relief import OneCapture, capture_type, combine, refuse_copies


def with_repeats(seen: Seen, others: Sequence[Seen], how: Capturing) -> Seen:
    """The mean of a capture and its repeats, with the common error that their differences show.

    Raises `BadValue` for a table of readings and `MixedSurveys` for captures of another wall and for those that are no
    repeats: the same file, parts of one scan, and copies with the same errors.
    """
    if not seen.relief.known_between:
        raise BadValue(
            "{set:repeat}",
            "given with {file}, a table of readings",
            needed="repeated scans",
            remedy="Read the first station again last instead, as control",
            file=seen.origin.file,
        )
    captures = [seen, *others]
    refuse_copies([OneCapture(one.relief, one.wall.frame, one.origin.sha256) for one in captures])
    joined, shown = combine([one.relief for one in captures], capture_type(seen.capture_type), how.repeat_rule)
    spans = tuple(
        note("jobs.chord-spread", s=metres(0.0, s), span=metres(span))
        for span, s in zip(shown.spans, shown.s, strict=True)
    )
    files = tuple(note("jobs.repeat-file", file=other.origin.file, sha256=other.origin.sha256[:12]) for other in others)
    said = (note("jobs.repeats", captures=shown.captures, spans=spans), note("jobs.repeat-files", files=files))
    return replace(seen, relief=joined, notes=(*seen.notes, *said))

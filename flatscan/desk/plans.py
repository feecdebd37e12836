"""The plan in the folder of a job: as its file has it, as it was before the last changes, and the way back and forth.

What stood there before is kept in the job's settings, so that a change of the plan and the way back from it are kept
together. A plan that somebody edited by hand is one more change, which can be taken back like any other.
"""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import Any

from flatscan.core.beside import beside
from flatscan.core.errors import ReadError
from flatscan.jobs.job_plan import JobPlan
from flatscan.jobs.plan_file import NAME, read_plan

Plain = dict[str, Any]
# so many changes can be taken back
_KEPT = 20
# a plan larger than this [bytes] is none
_MOST = 200_000
BY_HAND = "by-hand"
_FILES = ("rates", "tie", "repeat", "same_wall")


def text_in(folder: Path) -> str:
    """The text of the plan in a folder, "" where there is none; what is no text is replaced, and then is no plan."""
    path = folder / NAME
    if not path.is_file():
        return ""
    if not path.resolve().is_relative_to(folder.resolve()):
        # a link that somebody else put there: what it leads to is not shown, and this is no plan either
        return "a link out of this folder"
    with path.open("rb") as stream:
        return stream.read(_MOST).decode("utf-8-sig", errors="replace")


def plan_in(text: str, folder: Path) -> JobPlan:
    """The plan in a text; raises as `read_plan` does, and `ReadError` for a file it names outside the job's folder."""
    plan = read_plan(text, folder / NAME)
    for name in _FILES:
        value = getattr(plan, name)
        for one in (value,) if isinstance(value, str) else value or ():
            beside(folder / NAME, Path(one).relative_to(folder) if Path(one).is_relative_to(folder) else one)
    if plan.system is not None and (set("/\\.") & set(plan.system)):
        beside(folder / NAME, plan.system)
    return plan


def what_changed(before: JobPlan, after: JobPlan) -> str:
    """The names of the parts of a plan that differ, with commas between."""
    return ",".join(item.name for item in fields(JobPlan) if getattr(before, item.name) != getattr(after, item.name))


def changed(settings: Plain, text: str, after: str, what: str, *, typed: bool = False) -> None:
    """Note that the plan changes from ``text`` to ``after``; what is ``typed`` letter by letter is one step back."""
    past = [list(step) for step in settings["past"]]
    by_hand = text != settings["plan"]
    if by_hand:
        past.append([settings["plan"], BY_HAND])
    if by_hand or not typed or not past or past[-1][1] != what:
        past.append([text, what])
    settings |= {"past": past[-_KEPT:], "undone": [], "plan": after}


def way_back(settings: Plain, text: str) -> str | None:
    """What the last change was of, None where there is none to take back."""
    if text != settings["plan"]:
        return BY_HAND
    return str(settings["past"][-1][1]) if settings["past"] else None


def way_forth(settings: Plain, text: str) -> str | None:
    """What the change was of that was taken back last, None where none was."""
    return str(settings["undone"][-1][1]) if settings["undone"] and text == settings["plan"] else None


def back(settings: Plain, text: str) -> str:
    """Take the last change back; returns the text that stands there then. Raises `ReadError` where there is none."""
    what, past = way_back(settings, text), list(settings["past"])
    if what is None:
        raise _none("nothing was changed")
    before = past.pop()[0] if text == settings["plan"] else settings["plan"]
    settings |= {"past": past, "undone": [*settings["undone"], [text, what]], "plan": before}
    return str(before)


def forth(settings: Plain, text: str) -> str:
    """Make the change again that was taken back last; as `back` otherwise."""
    what, undone = way_forth(settings, text), list(settings["undone"])
    if what is None:
        raise _none("nothing was taken back")
    after = undone.pop()[0]
    settings |= {"past": [*settings["past"], [text, what]][-_KEPT:], "undone": undone, "plan": after}
    return str(after)


def _none(found: str) -> ReadError:
    return ReadError("the plan", found, needed="a change", remedy="Load the page again")

"""Results of jobs out of the flat findings that the report's tests are built on."""

import dataclasses
import re

import numpy as np

from flatscan import report
from flatscan.core.notes import note
from flatscan.jobs import Change, Check, Lows, Planned, Seen, SetOut, Survey
from flatscan.plan.rates import Extras
from flatscan.plan.takeoff import TakeOff
from flatscan.report.explain import explain
from flatscan.report.figures import draw
from flatscan.report.parts import phrases
from flatscan.report.say import say
from flatscan.straightedge.gaps import Gaps
from flatscan.verdict import Verdict

NO_GAPS = Gaps(1.8, (0.0, 90.0), None, None, None, None, 0, None, None)
NO_ORDER = TakeOff("none", (), None, None, 0.1, None, None, ())
NOTHING = Verdict("undecided", 0.95, (), (), (), ())


def result_of(found):
    """The result of the command these findings are of."""
    if not hasattr(found, "command") or not hasattr(found, "capture_type"):
        return found
    seen = Seen(
        found.origin,
        found.capture_type,
        found.title,
        found.wall,
        found.relief,
        (),
        tie=found.tie,
        corners=found.corners,
    )
    base = {
        "seen": seen,
        "relief": found.relief,
        "shape": found.shape,
        "patches": found.patches,
        "notes": (*found.origin.warnings, *found.warnings),
        "settings": found.settings,
    }
    nothing = np.full(found.relief.offset.shape, np.nan)
    gaps = found.gaps or dataclasses.replace(NO_GAPS, deepest=nothing)
    if found.build_up is not None:
        plan = Planned(
            found.build_up,
            found.take_off or NO_ORDER,
            found.hacks or (),
            found.extras or Extras(0.0, 0.0, 0.0, 0.0),
            found.bands,
            found.fixed,
            (),
        )
    if found.set_out is not None:
        return SetOut(**base, plan=plan, screeds=found.set_out)
    if found.lows is not None:
        where = np.nan_to_num(gaps.deepest) > 0.002
        ridges = found.ridges
        return Lows(**base, gaps=gaps, lows=found.lows, ridges=ridges, limit=0.002, where=where, waste=0.1)
    if found.compared is not None:
        c = found.compared
        return Change(
            **base,
            earlier=seen,
            difference=c.change,
            following=c.following,
            gaps=gaps,
            method=found.method,
            verdict=found.verdict,
            tolerance=found.tolerance,
            least=c.least,
            thin=c.thin,
            under=c.under,
            quoted=c.quoted,
            used=c.used,
            agreement=c.agreement,
            background=c.background,
            variation=c.variation,
        )
    if found.build_up is not None and found.verdict is None:
        return Survey(
            **base,
            gaps=gaps,
            plan=plan,
            choices=found.choices,
            quote=found.quote,
            clashes=found.clashes,
            shown=found.shown,
            together=found.together,
        )
    return Check(
        **base,
        gaps=gaps,
        verdict=found.verdict or NOTHING,
        tolerance=found.tolerance,
        method=found.method,
        hand=found.hand,
    )


def reported(found):
    """The report of the result."""
    return report.report_of(result_of(found))


def drawings(found):
    """The drawings of the report by their names."""
    return {drawing.name: drawing for drawing in reported(found).drawings}


def figure_of(found, name="contour", units="mm"):
    """One of the report's drawings as a figure."""
    it = reported(found)
    return draw(it, next(drawing for drawing in it.drawings if drawing.name == name), units)


def document(found, files=()):
    """The result document of the result."""
    return report.document(result_of(found), files)


def summary(found, units="mm"):
    """The screen of the result."""
    return report.summary(result_of(found), units)


def write(found, *given, **more):
    """The sheets of the result."""
    return report.write(result_of(found), *given, **more)


def explained(found, units="mm"):
    """The plain words of the result."""
    return explain(result_of(found), units)


def worded(text):
    """A note without words of its own, for what is said in the tests' own words."""
    return note("report.list-comma", parts=(text,))


# what stands on paper where something is to be done, by action: its cautions come before the first of them
_ASKED = {
    "hack": r"\bh\d\b|\bcut \d|saves so far, litres",
    "mix": r"\bmix \w+ \w+:|to order|material list",
    "lift": r"to order|material list",
    "shave": r"\bh\d\b|ridges to shave",
    "laser": r"reads \d",
}


def cautioned_in(pages, cautions):
    """Codes of the cautions that stand on the pages of a sheet, each once on a page and before what it warns of."""
    found = []
    for text in (page.lower() for page in pages):
        for one in cautions:
            long, short = (words.lower() for words in (say(one), say(phrases((one,))[0])))
            count = text.count(short) + (0 if short in long else text.count(long))
            assert count <= 1, f"{one.code} {count} times: {text}"
            if count:
                found.append(one.code)
                asked = re.search(_ASKED.get(one.action, "no such words"), text, re.IGNORECASE)
                at = text.index(long if long in text else short)
                assert asked is None or at < asked.start(), f"{one.code} after {asked[0]}: {text}"
    return found

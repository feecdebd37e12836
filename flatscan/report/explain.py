"""The same numbers in plain words, half a page each for a client, a foreman and an adjudicator.

Nothing stands here that the numbers do not carry; what was not tested is named for each reader.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from flatscan.core.notes import Note, note
from flatscan.core.quantity import cubic_metres, metres, share
from flatscan.jobs import Change, Lows, Result, SetOut, Survey, Tested, gaps_in, verdict_in
from flatscan.report.limits import limit_of_criterion, limit_value, method_in_short
from flatscan.report.reporting import report_of, short_cautions
from flatscan.report.say import Said, finished, say
from flatscan.report.sections.agreement_section import agreement_note
from flatscan.report.sections.change_section import typical_limit
from flatscan.report.sections.gap_section import as_restricted, titled
from flatscan.report.sections.hacking_section import depth_of
from flatscan.report.sections.plan_section import litres
from flatscan.report.sections.seen_section import leaning, wall_name
from flatscan.straightedge.gaps import Gaps
from flatscan.verdict import Criterion, Verdict, conformance

WIDTH = 79
_BARE = {name: f"verdict.is-{name}" for name in ("within", "outside", "undecided")}
_DECIDED = {"within": "explain.is-within", "outside": "explain.is-outside", "undecided": "explain.is-undecided"}


def explain(result: Result, units: str = "mm") -> str:
    """Three half pages of plain words; ends with a line break."""
    parts = (
        ("explain.for-client", _client(result)),
        ("explain.for-foreman", _foreman(result)),
        ("explain.for-adjudicator", _adjudicator(result)),
    )
    lines: list[str] = []
    for head, notes in parts:
        lines.append(say(Note(head), units))
        lines += [line for text in notes for line in textwrap.wrap(finished(text, units), WIDTH)]
        lines.append("")
    return "\n".join(lines).rstrip("\n") + "\n"


def _client(result: Result) -> Iterator[Said]:
    wall, verdict, gaps = result.wall, verdict_in(result), gaps_in(result)
    width, height, measured = metres(wall.width), metres(wall.height), share(result.relief.covered_share)
    yield note("explain.wall", name=wall_name(result.seen), width=width, height=height, measured=measured)
    for criterion in () if verdict is None else verdict.criteria:
        yield _plain(criterion)
    if verdict is not None and verdict.restricted:
        yield note("explain.restricted", by=verdict.restricted)
    found = None if gaps is None else gaps.measured()
    if verdict is None and gaps is not None and found is not None:
        yield note("explain.largest-gap", rule=metres(gaps.rule), gap=found)
    if isinstance(result, (Survey, SetOut)):
        built = result.plan.build_up
        volume = litres(built.volume, built.low, built.high, built.order)
        yield note("explain.takes", least=metres(built.least), most=metres(built.most), volume=volume)
    if isinstance(result, Change):
        yield _came_on(result)
    yield note("explain.spread")
    yield note("explain.not-tested")


def _plain(criterion: Criterion) -> Note:
    decided = note(_DECIDED[criterion.decision])
    limit = limit_of_criterion(criterion)
    if criterion.value is None:
        said = note("explain.criterion-unmeasured", name=criterion.name, decided=decided)
        return note("report.by-limit", judged=said, limit=limit)
    said = note("explain.criterion", name=criterion.name, value=criterion.measured, decided=decided)
    if criterion.other is not None and criterion.other.measured is not None:
        balanced = note("report.balanced-gap", gap=criterion.other.measured)
        said = note("report.with-others", said=said, others=(balanced,))
    return note("report.by-limit", judged=said, limit=limit)


def _came_on(result: Change) -> Note:
    if result.agreement is not None:
        return agreement_note(result.agreement)
    mean = result.difference.mean
    return note("explain.untied") if mean is None else note("explain.came-on", mean=metres(mean.value, mean.u))


def _foreman(result: Result) -> Iterator[Said]:
    # what can hurt comes before what is to be done
    yield from short_cautions(report_of(result))
    lean = leaning(metres(result.shape.lean_height))
    source = result.wall.plumb.known_from or note("report.nothing-in-capture")
    if lean.code == "report.plumb":
        yield note("explain.plumb", source=source)
    else:
        yield note("explain.leans", lean=lean, source=source)
    yield from _places(result)
    if isinstance(result, (Survey, SetOut)) and result.plan.take_off.coats:
        coats = tuple(
            note("explain.coat", name=coat.name, thickness=metres(coat.thickness))
            for coat in result.plan.take_off.coats
        )
        yield note("explain.coats", coats=coats)
    if isinstance(result, Lows) and result.lows:
        yield note("explain.lows", count=len(result.lows))
    if isinstance(result, Change):
        for place in result.thin[:3]:
            yield note("explain.thin", (place.x, place.y), thickness=metres(place.value, place.u))
        lost = [place for place in result.difference.places if place.value < 0]
        if lost and result.difference.mean is not None:
            yield note("explain.lower", count=len(lost))
    verdict = verdict_in(result)
    if verdict is not None and verdict.check_by_hand:
        places = tuple(note("report.at", at) for at in verdict.check_by_hand)
        yield note("explain.by-hand", places=places)
    yield note("explain.tap")


def _places(result: Result) -> Iterator[Note]:
    hacks = result.plan.hacks if isinstance(result, (Survey, SetOut)) else ()
    if hacks:
        first = hacks[0]
        cut, saves = depth_of(first), cubic_metres(first.saves)
        yield note("explain.hump", (first.x, first.y), cut=cut, saves=saves)
    for kind, code in (("hump", "explain.humps"), ("hollow", "explain.hollows")):
        found = [patch for patch in result.patches if patch.kind == kind][:2]
        if found:
            at = tuple(note("explain.patch", (p.x, p.y), by=metres(abs(p.deviation))) for p in found)
            yield note(code, patches=at)


def _adjudicator(result: Result) -> Iterator[Said]:
    origin, verdict, gaps = result.origin, verdict_in(result), gaps_in(result)
    sha256 = origin.sha256 or note("report.none")
    yield note("explain.object", file=origin.file, sha256=sha256, type=_type(result))
    if gaps is not None:
        yield _method(result, gaps)
    for criterion in () if verdict is None else verdict.criteria:
        yield _risk(criterion, verdict)
    if verdict is not None and verdict.restricted:
        yield note("explain.restricted", by=verdict.restricted)
    settings = report_of(result).section("settings")
    yield from (fact.text for fact in (() if settings is None else settings.facts))
    for name in () if verdict is None else verdict.not_judged:
        yield note("explain.not-judged", name=name)
    if isinstance(result, Change):
        yield from _tie(result)
    also = report_of(result).not_examined[1:]
    yield note("explain.not-tested-also", what=also) if also else note("explain.not-tested")
    yield note("report.record")


def _type(result: Result) -> Note:
    """The capture type, and whether somebody declared it, the file's kind implies it, or it was assumed."""
    kind = result.seen.capture_type
    if result.seen.how.capture_type is not None:
        return note("explain.type-declared", type=kind)
    return note("explain.type-by-file" if result.origin.kind else "explain.type-assumed", type=kind)


def _method(result: Result, gaps: Gaps) -> Note:
    covered: Said = ""
    if gaps.coverage is not None:
        covered = note("explain.of-room", coverage=share(gaps.coverage))
    method = method_in_short(result.method if isinstance(result, Tested) else gaps.method)
    return note(
        "explain.method",
        rule=metres(gaps.rule),
        method=method,
        directions=len(gaps.directions),
        positions=gaps.positions,
        covered=covered,
    )


def _tie(result: Change) -> Iterator[Said]:
    """How two surveys were tied together and what that leaves open."""
    tie, origin = result.difference.alignment, result.earlier.origin
    yield note("explain.tied", how=tie.how, file=origin.file, sha256=origin.sha256 or note("report.none"))
    if tie.undetermined:
        yield note("explain.undetermined", what=tuple(tie.undetermined))
    limit = typical_limit(result.difference)
    yield note("explain.detection", limit=metres(limit)) if limit is not None else note("explain.detection-unknown")
    compare = report_of(result).section("compare")
    keys = ("under-cover", "two-parties", "background", "beyond", "follows")
    for fact in () if compare is None else compare.facts:
        if fact.key in keys:
            yield fact.text


def _risk(criterion: Criterion, verdict: Verdict | None) -> Note:
    """A decision and its risk in the words of JCGM 106:2012: guarded acceptance, guarded rejection, consumer's risk."""
    assert verdict is not None
    risk, limit = share(1 - verdict.confidence), limit_value(criterion)
    name, decision = titled(criterion), criterion.decision
    said = as_restricted(note(_BARE[decision]), verdict.restricted, short=True)
    if decision == "within" and criterion.upper is not None:
        # of both methods the one nearer to the limit
        bound = max(criterion.upper, 0.0 if criterion.other is None else criterion.other.upper or 0.0)
        return note("explain.accepted", name=name, decision=said, bound=metres(bound), limit=limit, risk=risk)
    if decision == "outside":
        if criterion.lower is None:
            return note("explain.rejected", name=name, decision=said, limit=limit, risk=risk)
        bound = criterion.lower
        return note("explain.rejected-bound", name=name, decision=said, bound=metres(bound), limit=limit, risk=risk)
    odds = _odds(criterion)
    return note("explain.neither", name=name, decision=said, limit=limit, odds=odds)


def _odds(criterion: Criterion) -> Said:
    """For one quantity chosen beforehand, the probability of conformity (JCGM 106:2012, 7.2) under a normal error."""
    # the largest gap, step or corner of many was not chosen beforehand
    u = criterion.u
    if criterion.judges != "plumb" or criterion.value is None or u is None:
        return ""
    return note("explain.odds", odds=share(conformance(criterion.value, u, criterion.limit)))

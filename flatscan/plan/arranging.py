"""The plane that all that is going to be done asks for: cuts, strips, fixed points; or the nearest that can be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from flatscan.core.errors import Infeasible
from flatscan.core.model import Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, cubic_metres, metres
from flatscan.plan.cutting import AsCut, Cut, as_cut
from flatscan.plan.dots import SetOutOptions
from flatscan.plan.finish import BuildUp, PlaneOptions, place
from flatscan.plan.hacking import Hack, HackOptions
from flatscan.plan.highest import Errors, errors_of
from flatscan.plan.program import APART, FIXED, MOST
from flatscan.plan.screeds import Lack, lack_at, lack_of, stand_at

# what gives way does so by this [m] more than it must, so that the plan is not one by a float's last bit
_SLACK = 1e-7
# fixed points among themselves, then against the cover, then the most: each may have to give way
_TRIES = 4
# a plane is moved out for no less than this [m], and cuts are said to save volumes from this [m3] up
_NOTHING = 5e-5
_NO_VOLUME = 5e-5
# the last hump of a list is worth this share of the volume (methods/finish-plane 10)
_WORTH = 1e-3


@dataclass(frozen=True, slots=True)
class Work:
    """What is going to be done: the plane asked for, humps to be ``cut``, and the set-out it is ruled by (None: none).

    ``foot`` [m] is z of the plane that the finish plane's own place is measured from.
    """

    plane: PlaneOptions
    hacking: HackOptions = HackOptions()
    cut: tuple[Cut | str, ...] = ()
    screeds: SetOutOptions | None = None
    foot: float = 0.0


@dataclass(frozen=True, eq=False)
class Arranged:
    """A plan that can be built: the wall ``as_cut``, the ``plane`` as it could be asked for, and the build-up.

    ``cannot`` is the error of the plan asked for where that cannot be, saying this one as the nearest that can.
    ``out`` [m] is how far the plane was moved out for the screeds.
    """

    as_cut: AsCut
    plane: PlaneOptions
    build_up: BuildUp
    notes: tuple[Note, ...] = ()
    cannot: Infeasible | None = None
    out: float = 0.0

    @property
    def relief(self) -> Relief:
        """The wall that everything is planned on."""
        return self.as_cut.relief


def arrange(relief: Relief, wall: Wall, work: Work, errors: Errors | None = None) -> Arranged:
    """The finish plane on the wall as it will be cut, with room for its screeds (methods/finish-plane 6, trade 2).

    Where the plan asked for cannot be, the nearest that can is arranged, with the error that says so. Raises `BadValue`
    for a hump that is not there, and `Infeasible` where nothing that may give way helps.
    """
    errors = errors or errors_of(relief, wall)
    if not work.cut:
        return _on(AsCut(relief), wall, work, errors)
    before = _on(AsCut(relief), wall, replace(work, cut=()), errors)
    cut = as_cut(relief, wall, work.cut, plane=before.plane, options=work.hacking, errors=errors)
    found = _on(cut, wall, work, errors, before)
    saved = before.build_up.volume.value - found.build_up.volume.value
    # nothing is saved against a plan that cannot be
    kept = _saved(cut, saved if before.cannot is None else 0.0)
    return replace(found, notes=(*kept, *cut.notes, *found.notes))


def _saved(cut: AsCut, saved: float) -> tuple[Note, ...]:
    cuts = tuple(note("plan.cut-at", (one.x, one.y), depth=metres(one.depth)) for one in cut.cuts)
    # where the screeds hold the face, what is cut is only filled again
    if saved < _NO_VOLUME:
        return (note("plan.cuts-save-nothing", cuts=cuts),)
    return (note("plan.cuts-save", cuts=cuts, saved=cubic_metres(saved)),)


def _on(cut: AsCut, wall: Wall, work: Work, errors: Errors, before: Arranged | None = None) -> Arranged:
    """The plane on one wall, moved out where its screeds need that.

    ``before`` is the wall uncut: screeds stay where they stood on it if that keeps the face further in, so that no cut
    moves it out.
    """
    relief = cut.relief
    built, plane, why = _nearest(relief, wall, work, errors)
    cannot = None if why is None else _said(why, work.plane, plane, built)
    screeds = work.screeds
    if screeds is None:
        return Arranged(cut, plane, built, (), cannot)
    lack = lack_of(relief, wall, built.plane, options=screeds, lowered=built.lowered)
    if before is not None and lack.by > _NOTHING:
        lack = min(lack, _as_before(cut, wall, screeds, built, before), key=lambda one: one.by)
    if lack.by <= _NOTHING:
        return Arranged(cut, plane, built, (), cannot)
    moved = place(relief, wall, options=plane, foot=work.foot, errors=errors, out=lack.by)
    more = cubic_metres(moved.volume.value - built.volume.value)
    if cannot is None and _held_in(plane, moved):
        return Arranged(cut, plane, moved, (), _no_room(plane, screeds, lack, moved, more), lack.by)
    said = note(
        "plan.out-for-dots" if screeds.strip is None else "plan.out-for-strips",
        (lack.x, lack.y),
        out=metres(lack.by),
        more=more,
        **({} if screeds.strip is None else _thick(screeds)),
    )
    return Arranged(cut, plane, moved, (said,), cannot, lack.by)


def _as_before(cut: AsCut, wall: Wall, screeds: SetOutOptions, built: BuildUp, before: Arranged) -> Lack:
    """What the screeds lack at a cut wall where they stood on it uncut."""
    was = before.build_up
    places = stand_at(before.relief, wall, was.plane, options=screeds, lowered=was.lowered)
    return lack_at(cut.relief, wall, built.plane, places, options=screeds, lowered=built.lowered)


def _thick(screeds: SetOutOptions) -> dict[str, Quantity]:
    """What stands between wall and finished face at a strip."""
    return {
        "strip": metres(screeds.strip or 0.0),
        "bed": metres(screeds.bed),
        "finish": metres(screeds.finish),
        "least": metres(screeds.behind_face + screeds.bed),
    }


def _held_in(plane: PlaneOptions, moved: BuildUp) -> bool:
    """Whether fixed points or the most keep the plane from where it was moved to."""
    return bool(plane.fixed) or (plane.most is not None and moved.most > plane.most + _NOTHING)


def _no_room(plane: PlaneOptions, screeds: SetOutOptions, lack: Lack, moved: BuildUp, more: Quantity) -> Infeasible:
    """The error for a plane that something holds too far in for strips or dots."""
    held = "the fixed points hold it" if plane.fixed else "the most of {most:length.1} holds it"
    values = {"most": metres(plane.most or 0.0), "by": metres(lack.by), "at": (lack.x, lack.y), "more": more}
    if screeds.strip is None:
        found, needed = "the plane leaves no room for a dot {at:place}: {by:length.1} too little", "a packing from 0 up"
        thinner = "Move the fixed points out or raise the most"
    else:
        values |= _thick(screeds)
        found = "a strip of {strip:length.g} finds {by:length.1} too little room {at:place}, and " + held
        needed = "{least:length.g} from wall to finished face: bed {bed:length.g}, strip, last coat {finish:length.g}"
        thinner = "Take a thinner strip or dots"
        if (screeds.strip or 0.0) > lack.by:
            thinner = "Take a strip of {thinner:length.1} or less, or dots"
            values["thinner"] = metres((screeds.strip or 0.0) - lack.by)
    return Infeasible(
        "set-out",
        found,
        needed=needed,
        remedy=f"{thinner}. {_NEAREST_OUT}: {_COST}",
        volume=moved.volume,
        **values,
    )


_NEAREST_OUT = "The nearest plan that works stands {by:length.1} further out"
_COST = "{volume:volume} in all, {more:volume} more"


def _nearest(relief: Relief, wall: Wall, work: Work, errors: Errors) -> tuple[BuildUp, PlaneOptions, Infeasible | None]:
    """The plan asked for, or where it cannot be the nearest that can, how that had to be asked for, and why."""
    plane, why = work.plane, None
    for _ in range(_TRIES):
        try:
            return place(relief, wall, options=plane, foot=work.foot, errors=errors), plane, why
        except Infeasible as error:
            why = why or error.with_traceback(None)
            plane = _easier(plane, error)
    return place(relief, wall, options=plane, foot=work.foot, errors=errors), plane, why


def _easier(plane: PlaneOptions, error: Infeasible) -> PlaneOptions:
    """The plane asked for with what conflicts giving way by as little as it must; else the error is raised."""
    gives, amount = error.values.get("gives"), error.values.get("amount")
    if not isinstance(amount, Quantity):
        raise error
    by = amount.value + _SLACK
    if gives == APART:
        return replace(plane, fixed=tuple(replace(one, band=one.band + by / 2) for one in plane.fixed))
    if gives == FIXED:
        return replace(plane, fixed=tuple(replace(one, offset=one.offset + by) for one in plane.fixed))
    if gives == MOST and plane.most is not None:
        return replace(plane, most=plane.most + by)
    raise error


def _said(why: Infeasible, asked: PlaneOptions, plane: PlaneOptions, built: BuildUp) -> Infeasible:
    """The error with the nearest plan that works: how far that is from what was asked for, and what it takes."""
    where, found, needed, remedy = why.templates
    pairs = list(zip(plane.fixed, asked.fixed, strict=True))
    out = max((one.offset - was.offset for one, was in pairs), default=0.0)
    band = max((one.band - was.band for one, was in pairs), default=0.0)
    deeper = 0.0 if plane.most is None or asked.most is None else plane.most - asked.most
    ways = []
    if band > _NOTHING:
        ways.append("misses the fixed points by {near_band:length.1}")
    if out > _NOTHING:
        ways.append("stands {near_out:length.1} further out than the fixed points")
    if deeper > _NOTHING:
        ways.append("takes {near_most:length.1} at most")
    # a plane that is moved out takes so much more, one that is held to the most stands so much further in
    by = max(out, deeper)
    cost = "{near_volume:volume} in all" + (", {near_more:volume} more" if by > _NOTHING else "")
    return Infeasible(
        where,
        found,
        needed=needed,
        remedy=f"{remedy}. The nearest plan that works {' and '.join(ways) or 'is this'}: {cost}",
        **{
            **why.values,
            "near_band": metres(band),
            "near_out": metres(out),
            "near_most": metres(plane.most or 0.0),
            "near_volume": built.volume,
            "near_more": cubic_metres(by * built.area),
        },
    )


def worth_with_screeds(
    hacks: Sequence[Hack],
    found: Arranged,
    wall: Wall,
    work: Work,
    errors: Errors,
    *,
    hours_per_m3: float | None = None,
) -> tuple[Hack, ...]:
    """The humps of a list with what cutting them saves where the screeds decide how far out the plane stands.

    What a list saves is worked out for the wall alone; a plane that strips hold out gains less by a cut, or nothing,
    and a hump that adds nothing is not listed. Plastering saved, at ``hours_per_m3`` of it, must be worth the cutting.
    """
    start, kept = found.build_up.volume.value, list(hacks)
    stages = _stages(kept, found, wall, work, errors)
    for hack in hacks:
        at = kept.index(hack)
        if stages[at].saves - (stages[at - 1].saves if at else 0.0) > _WORTH * start:
            continue
        rest = [one for one in kept if one is not hack]
        without = _stages(rest, found, wall, work, errors)
        # one that adds nothing itself may still stand in the way of the next
        if (without[-1].saves if without else 0.0) >= stages[-1].saves - _WORTH * start:
            kept, stages = rest, without
    count = len(kept) if hours_per_m3 is None else _worth_cutting(kept, stages, hours_per_m3)
    return _refigured(kept[:count], stages[:count])


@dataclass(frozen=True, slots=True)
class _Stage:
    """The first humps of a list cut with the screeds laid: what that ``saves`` [m3], and each one's ``depths`` [m]."""

    saves: float
    depths: tuple[float, ...]


def _stages(hacks: Sequence[Hack], found: Arranged, wall: Wall, work: Work, errors: Errors) -> list[_Stage]:
    """The first hump cut, the first two, and so on."""
    work = replace(work, plane=found.plane)
    stages = []
    for count in range(1, len(hacks) + 1):
        named = tuple(hacks[:count])
        cut = as_cut(
            found.relief, wall, named, plane=found.plane, options=work.hacking, errors=errors, listed=tuple(hacks)
        )
        saves = found.build_up.volume.value - _on(cut, wall, work, errors, found).build_up.volume.value
        stages.append(_Stage(saves, tuple(one.depth for one in cut.cuts)))
    return stages


def _worth_cutting(hacks: Sequence[Hack], stages: Sequence[_Stage], hours_per_m3: float) -> int:
    """How many humps save the most of one person's minutes, plastering saved less cutting."""
    cutting, net = 0.0, [0.0]
    for hack, stage in zip(hacks, stages, strict=True):
        cutting += hack.minutes
        net.append(stage.saves * 60 * hours_per_m3 - cutting)
    return net.index(max(net))


def _refigured(hacks: Sequence[Hack], stages: Sequence[_Stage]) -> tuple[Hack, ...]:
    """Humps with the savings and depths of these stages."""
    done, last = list[Hack](), 0.0
    for at, (hack, stage) in enumerate(zip(hacks, stages, strict=True)):
        share = stage.saves / hack.saves if hack.saves > 0 else 0.0
        bags = None if hack.saves_bags is None else hack.saves_bags * share
        done.append(
            replace(
                hack,
                saves=stage.saves,
                saves_bags=bags,
                mean_saved=hack.mean_saved * share,
                adds=stage.saves - last,
                cut_so_far=stage.depths[at],
                cut=stages[-1].depths[at],
            )
        )
        last = stage.saves
    return tuple(done)


def numbered(hacks: Sequence[Hack], listed: Sequence[Hack]) -> tuple[Hack, ...]:
    """Humps with their numbers in the plan without cuts; those that only show once others are cut come after them."""
    known = {(round(hack.x, 3), round(hack.y, 3)): number for number, hack in enumerate(listed, 1)}
    found, fresh = list[Hack](), len(listed)
    for hack in hacks:
        number = known.get((round(hack.x, 3), round(hack.y, 3)), 0)
        if not number:
            near = [k for k, one in enumerate(listed, 1) if abs(one.x - hack.x) < 0.15 and abs(one.y - hack.y) < 0.15]
            number = near[0] if near else 0
        if not number:
            fresh += 1
            number = fresh
        found.append(replace(hack, number=number))
    return tuple(found)

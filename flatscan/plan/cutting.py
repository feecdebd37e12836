"""Humps that are going to be cut: where, how deep, and the wall as it is once they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.errors import BadValue, Infeasible
from flatscan.core.geometry import Array, Mask, neighbour_pairs
from flatscan.core.model import Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
from flatscan.plan.finish import PlaneOptions
from flatscan.plan.hacking import AT_STATION, Cutter, Hack, HackOptions, hacking_plan
from flatscan.plan.highest import Errors, errors_of
from flatscan.plan.surface import as_measured

# a place named lies on the hump that is nearest within this [m]
_NEAR = 0.150
# a depth under this [m] is none, and one that is short by no more is what was asked for
_NOTHING, _SHORT = 5e-5, 1e-4
# so many humps are named to somebody who named none of them
_NAMED = 6


@dataclass(frozen=True, slots=True)
class Cut:
    """A cut at ``x``, ``y`` [m] on a hump, ``depth`` [m] back from its top."""

    x: float
    y: float
    depth: float


@dataclass(frozen=True, eq=False)
class AsCut:
    """A wall as it is once humps are cut: its ``relief``, what is cut with the depth it really takes, and notes.

    ``listed`` are the humps that the plan without cuts offers, in the order that gives them their numbers. ``gone``
    [m3] is what each cut takes off.
    """

    relief: Relief
    cuts: tuple[Cut, ...] = ()
    notes: tuple[Note, ...] = ()
    listed: tuple[Hack, ...] = ()
    gone: tuple[float, ...] = ()


def as_cut(
    relief: Relief,
    wall: Wall,
    cuts: Sequence[Cut | Hack | str],
    *,
    plane: PlaneOptions | None = None,
    options: HackOptions | None = None,
    errors: Errors | None = None,
    listed: tuple[Hack, ...] | None = None,
) -> AsCut:
    """The wall with humps cut, by place and depth or by their numbers in the plan without cuts (finish-plane 10).

    A hump is cut level with the plane ``depth`` under its top, within its own outline, and never below the surface
    around it nor deeper than the options' most; a note says where less is cut than was asked for. Humps given by
    number, or as a list has them, are cut as deep as all of them together need to bear on the plane no more.
    ``listed`` is the hacking list of the wall if it is known already.
    Raises `BadValue` for a number that the plan does not list, a place without a hump and one near an opening's head.
    """
    if not cuts:
        return AsCut(relief)
    plane, options, errors = plane or PlaneOptions(), options or HackOptions(), errors or errors_of(relief, wall)
    if listed is None:
        listed = hacking_plan(relief, wall, plane=plane, options=options, errors=errors).hacks
    wanted = dict.fromkeys(one for one in cuts if not isinstance(one, Cut))
    named = [_named(one, listed) if isinstance(one, str) else one for one in wanted]
    done, gone, notes = list[Cut](), list[float](), list[Note]()
    tool = _Chisel(relief, wall, plane, options, errors)
    for one in cuts:
        if isinstance(one, Cut):
            done.append(tool.take(one, listed))
            gone.append(tool.gone)
            notes += _less(one, done[-1], options.most)
    if named and done:
        tool = _Chisel(tool.relief, wall, plane, options, errors)
    for hack, depth, said in tool.depths(named):
        done.append(tool.take(Cut(hack.x, hack.y, depth), listed))
        gone.append(tool.gone)
        notes += said
    notes += [AT_STATION] if _at_a_station(relief, tool.relief) else []
    return AsCut(tool.relief, tuple(done), tuple(notes), listed, tuple(gone))


def _at_a_station(before: Relief, after: Relief) -> bool:
    """Whether a hump that was cut is one station's reading, whose real size nobody knows."""
    if before.known_between:
        return False
    labels, count = before.connected(before.offset - after.offset > _NOTHING)
    return any(np.count_nonzero(labels == number) == 1 for number in range(1, count + 1))


def numbers_of(cuts: Sequence[Cut], listed: Sequence[Hack]) -> tuple[int, ...]:
    """The number of the hump (the nearest, in a list without cuts) that each cut is on; new ones for cuts on none."""
    found = list[int]()
    for cut in cuts:
        away = [float(np.hypot(hack.x - cut.x, hack.y - cut.y)) for hack in listed]
        near = int(np.argmin(away)) if away and min(away) <= _NEAR else None
        found.append(len(listed) + len(found) + 1 if near is None else near + 1)
    return tuple(found)


def _less(asked: Cut, taken: Cut, most: float) -> list[Note]:
    """That less is cut than was asked for, and what keeps it from that."""
    if asked.depth - taken.depth <= _SHORT:
        return []
    depths = {"asked": metres(asked.depth), "taken": metres(taken.depth)}
    if taken.depth >= most - _SHORT:
        return [note("plan.cut-most", (asked.x, asked.y), most=metres(most), **depths)]
    return [note("plan.cut-less", (asked.x, asked.y), **depths)]


_NONE_LISTED = "a plan that lists a hump: it lists none (an H on its sheets is the wall itself)"


def _named(name: str, listed: Sequence[Hack]) -> Hack:
    number = int(name[1:]) if name[:1] in "Hh" and name[1:].isdigit() else 0
    if 1 <= number <= len(listed):
        return listed[number - 1]
    there, places = _places(listed)
    raise BadValue(
        "{set:cut}",
        "no hump is called {name}",
        needed=f"a hump of the list without cuts: {there}" if listed else _NONE_LISTED,
        remedy="Give one of these, or its place and depth" if listed else "Give its place and depth",
        name=name,
        **places,
    )


def _places(listed: Sequence[Hack]) -> tuple[str, dict[str, object]]:
    """The humps a plan lists, as a piece of a template with its values."""
    first = listed[:_NAMED]
    there = ", ".join(f"H{k} {{at_{k}:place}}" for k in range(1, len(first) + 1))
    more = f" and on to H{len(listed)}" if len(listed) > _NAMED else ""
    return there + more, {f"at_{k}": (hack.x, hack.y) for k, hack in enumerate(first, 1)}


class _Chisel:
    """Cuts humps of one wall, one after the other, within the outlines they have on it."""

    def __init__(self, relief: Relief, wall: Wall, plane: PlaneOptions, options: HackOptions, errors: Errors) -> None:
        self.relief, self.cutter = relief, Cutter(relief, wall, plane, options, errors)
        # what the last cut took off [m3]
        self.gone = 0.0
        turn, lean = plane.turn, plane.lean
        if plane.turn_up_to > 0 or plane.lean_up_to > 0:
            found = self.cutter.stage([]).found
            turn, lean = found.turn, found.lean
        # cuts are level with the face
        self.tilt = turn * self.cutter.wall.x + lean * self.cutter.wall.y

    def depths(self, hacks: Sequence[Hack]) -> list[tuple[Hack, float, list[Note]]]:
        """How deep each is cut so that all of them together are out of the plane's way [m], and what to say of it."""
        label = self.cutter.label
        numbers = [int(label[self.cutter.index_of(hack.x, hack.y)]) for hack in hacks]
        there = [(hack, number) for hack, number in zip(hacks, numbers, strict=True) if number]
        try:
            depth = self.cutter.stage([number for _, number in there]).depth
        except Infeasible:
            return [(hack, hack.cut, []) for hack, _ in there]
        found = []
        for hack, number in there:
            needed = float(depth[label == number].max())
            if needed <= _NOTHING:
                found.append((hack, hack.cut, [note("plan.cut-alone", (hack.x, hack.y))]))
                continue
            most = self.cutter.options.most
            said = [note("plan.cut-at-most", (hack.x, hack.y), most=metres(most))] if needed >= most - 1e-9 else []
            found.append((hack, needed, said))
        return found

    def take(self, one: Cut, listed: Sequence[Hack]) -> Cut:
        """Cut one hump; returns the cut with the depth it really takes."""
        if not (np.isfinite((one.x, one.y, one.depth)).all() and one.depth > 0):
            raise BadValue(
                "{set:cut}",
                "a depth of {depth:length.g} {at:place}",
                needed="a depth over 0",
                remedy="Say how much comes off the hump's top",
                depth=metres(one.depth),
                at=(one.x, one.y),
            )
        part = self._hump_at(one, listed)
        keep = self.relief.valid
        z = self.relief.offset[keep]
        most = self.cutter.options.most
        level = float((z - self.tilt)[part].max()) - min(one.depth, most) + self.tilt
        cut = np.where(part, np.minimum(z, np.maximum(level, self._around(part))), z)
        offset, uncut = self.relief.offset.copy(), np.full_like(self.relief.offset, np.nan)
        known = keep.copy()
        known[keep] = part
        if self.relief.uncut is not None:
            known |= np.isfinite(self.relief.uncut)
        uncut[known] = as_measured(self.relief)[known]
        offset[keep] = cut
        self.gone = float(((z - cut) * self.relief.area[keep]).sum())
        self.relief = replace(self.relief, offset=offset, uncut=uncut)
        top = (z - self.tilt)[part].max() - (cut - self.tilt)[part].max()
        return Cut(one.x, one.y, float(min(top, one.depth, most)))

    def _hump_at(self, one: Cut, listed: Sequence[Hack]) -> Mask:
        """Places (n,) of the hump at or beside a place that may be cut."""
        cutter, wall = self.cutter, self.cutter.wall
        away = np.hypot(wall.x - one.x, wall.y - one.y)
        nearest = int(np.argmin(np.where(cutter.label > 0, away, np.inf)))
        part = np.asarray((cutter.label == cutter.label[nearest]) & cutter.free)
        reach = max(_NEAR, float(away.min()) + _NEAR)
        if cutter.label[nearest] > 0 and away[nearest] <= reach and part.any():
            return part
        barred = cutter.label[nearest] > 0 and away[nearest] <= reach
        there, places = _places(listed)
        raise BadValue(
            "{set:cut}",
            "the hump {at:place} is at an opening's head" if barred else "no hump stands {at:place}",
            needed=f"a place on a hump, such as {there}" if listed else "a place on a hump that may be cut",
            remedy="Take the place from the list of {run:survey}",
            at=(one.x, one.y),
            **places,
        )

    def _around(self, part: Mask) -> Array:
        """The surface (n,) [m] around a hump, below which nothing of it is cut."""
        relief, wall = self.relief, self.cutter.wall
        if relief.known_between:
            return np.asarray(wall.z - np.nan_to_num(self.cutter.humps.stand_off[relief.valid]))
        pairs = neighbour_pairs(wall.x, wall.y)
        beside = np.concatenate([pairs[part[pairs[:, 0]], 1], pairs[part[pairs[:, 1]], 0]])
        beside = beside[~part[beside]]
        lowest = float((wall.z - self.tilt)[beside].min()) if len(beside) else -np.inf
        return np.asarray(lowest + self.tilt)

"""What a job is asked for: how a capture is read, what straightedge tries the wall, what is planned on it."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from flatscan.core.choices import BOTH, METHODS, STAGES
from flatscan.core.errors import BadValue
from flatscan.core.geometry import Rectangle
from flatscan.core.notes import Note
from flatscan.core.quantity import metres, share
from flatscan.core.typed import in_metres
from flatscan.plan import systems
from flatscan.plan.cutting import Cut
from flatscan.plan.day import start_of
from flatscan.plan.finish import FixedPoint, PlaneOptions
from flatscan.plan.hacking import HackOptions
from flatscan.plan.materials import System
from flatscan.plan.takeoff import TakeOffOptions
from flatscan.standards import Tolerance
from flatscan.standards import load as load_tolerance

# what is being done, and how far it is where that is known
Progress = Callable[[Note, float | None], None]
DEFAULT_RULE, DEFAULT_LIMIT = 1.8, 0.003  # common specification practice (methods/tolerances 5): 3 mm under 1.8 m
# least cover over the earlier surface that is looked for [m] (common practice)
USUAL_COVER = 0.005
DEFAULT_SYSTEM = "gypsum-undercoat"
_LIMITS = ("plumb_limit", "step_limit", "corner_limit")
Length = float | str
CLOUD_TYPE, STATIONS_TYPE, LINES_TYPE = "phone-walk", "laser-readings", "laser-line"


def silent(_stage: Note, _share: float | None = None) -> None:
    """A `Progress` that tells nobody."""


@dataclass(frozen=True, slots=True)
class Capturing:
    """How a capture is read and its wall found; lengths in metres, None where the file and the wall decide.

    ``seen_from`` (x, y, z) and ``crop`` (x0, y0, z0, x1, y1, z1) are in the file's own coordinates and unit: a point
    on the room side, and the part of the points that counts. ``part`` is the letter of a level where the wall has
    several, empty for the largest. ``tie`` is a file of laser readings that tie a scan down, ``warp`` the size and
    length of its smooth warp where that is known better than by the capture type. With ``same_wall`` a list of captures
    is one wall. ``as_wall`` and ``not_wall`` are places on objects that somebody takes for wall, or for no wall.
    ``pocket`` are chases that are filled first and priced apart, ``skip`` parts that are not to be plastered,
    ``accept`` places of readings that were doubted and are right.
    """

    wall: int = 1
    part: str = ""
    cell: float | None = None
    up: str | None = None
    seen_from: tuple[float, ...] | None = None
    file_unit: str | None = None
    width: float | None = None
    height: float | None = None
    region: Rectangle | None = None
    opening: tuple[Rectangle, ...] = ()
    no_opening: tuple[int, ...] = ()
    capture_type: str | None = None
    repeat: tuple[str, ...] = ()
    repeat_rule: float = DEFAULT_RULE
    reading_u: float = 0.0006
    max_points: int | None = None
    tie: str | None = None
    warp: tuple[float, ...] | None = None
    crop: tuple[float, ...] | None = None
    same_wall: bool = False
    as_wall: tuple[tuple[float, float], ...] = ()
    not_wall: tuple[tuple[float, float], ...] = ()
    pocket: tuple[Rectangle, ...] = ()
    skip: tuple[Rectangle, ...] = ()
    accept: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        for name in ("width", "height", "reading_u", "cell"):
            value = getattr(self, name)
            if value is not None and not 0 < value < 1000:
                raise BadValue(
                    f"{{set:{name}}}",
                    "{value:span}",
                    needed="a length over 0",
                    remedy="Give what was taped",
                    value=metres(value),
                )
        for name, count in _COUNTS:
            given = getattr(self, name)
            if given is not None and len(given) != count:
                raise BadValue(
                    f"{{set:{name}}}",
                    "{given} numbers",
                    needed="{count}",
                    remedy="Give them in the order that the help shows",
                    given=len(given),
                    count=count,
                )
        if self.crop is not None and not all(
            low != high and math.isfinite(low + high) for low, high in zip(self.crop[:3], self.crop[3:], strict=True)
        ):
            raise BadValue(
                "{set:crop}",
                "a box without any space in it",
                needed="two opposite corners x0,y0,z0,x1,y1,z1 in the file's own numbers",
                remedy="Give corners that differ along every axis",
            )
        if self.warp is not None and not (0 <= self.warp[0] < 0.5 and 0.1 <= self.warp[1] < 100):
            raise BadValue(
                "{set:warp}",
                "{size:length.g} over {length:span}",
                needed="a size under 0.5 m and a length of at least 0.1 m",
                remedy="Give for example 8mm,2m",
                size=metres(self.warp[0]),
                length=metres(self.warp[1]),
            )


_NAME = re.compile(r"([0-9]{1,6})\s*([a-z]?)")


def wall_named(name: int | str) -> tuple[int, str]:
    """Number and letter of a wall called 1, "1" or "1a"; `BadValue` for what is no such name."""
    match = _NAME.fullmatch(str(name).strip().lower())
    if match is None:
        raise BadValue(
            "{set:wall}",
            "'{name}'",
            needed="a number such as 1, or 1a for one level of a wall that has several",
            remedy="List the walls with {run:survey --list}",
            name=str(name),
        )
    return int(match[1]), match[2]


_COUNTS = (("seen_from", 3), ("region", 4), ("warp", 2), ("crop", 6))


@dataclass(frozen=True, slots=True)
class Requirement:
    """What straightedge the wall is tried with; ``limit`` also sets how far noise is smoothed before the test.

    Where no ``method`` is named, a limit is held against the resting gap and the balanced end gap. ``accept_source``:
    a tolerance that was read in one place only, or written down from memory, decides all the same, on somebody's word.
    """

    rule: float = DEFAULT_RULE
    limit: float = DEFAULT_LIMIT
    directions: tuple[float, ...] | None = None
    confidence: float = 0.95
    method: str | None = None
    plumb_limit: float | None = None
    step_limit: float | None = None
    corner_limit: float | None = None
    judges: bool = False
    tolerances: tuple[Tolerance, ...] = ()
    hand: str | None = None
    accept_source: bool = False

    def __post_init__(self) -> None:
        for name in ("rule", "limit", "plumb_limit", "step_limit", "corner_limit"):
            value = getattr(self, name)
            if value is not None and not 0 < value < 100:
                raise BadValue(
                    f"{{set:{name}}}",
                    "{value:length.g}",
                    needed="a length over 0",
                    remedy="Give what the contract says, such as {set:rule} 1.8m {set:limit} 3mm",
                    value=metres(value),
                )

    @property
    def asks(self) -> bool:
        """Whether there is any limit to judge by."""
        limits = (self.plumb_limit, self.step_limit, self.corner_limit)
        return self.judges or any(limit is not None for limit in limits)

    @property
    def shown(self) -> str:
        """The method of the gaps that are shown: the one named, else resting."""
        return self.method or METHODS[0]

    @property
    def entries(self) -> tuple[Tolerance, ...]:
        """All that is to be judged by: the tolerances named, or an unnamed entry for each limit that was given."""
        if self.tolerances:
            named = self.tolerances
            return tuple(replace(one, accepted=True) for one in named) if self.accept_source else named
        limits = (
            ("flatness", self.limit if self.judges else None),
            ("plumb", self.plumb_limit),
            ("step", self.step_limit),
            ("corner", self.corner_limit),
        )
        return tuple(
            Tolerance.entered(criterion, limit, self.rule, self.method or BOTH)
            for criterion, limit in limits
            if limit is not None
        )

    @property
    def tolerance(self) -> Tolerance | None:
        """The first of the tolerances, None for a rule and limit entered by hand."""
        return self.tolerances[0] if self.tolerances else None

    @classmethod
    def by(
        cls,
        *,
        rule: Length | None = None,
        limit: Length | None = None,
        tolerance: str | Sequence[str] | None = None,
        **others: Any,
    ) -> Requirement:
        """A test by rule and limit, or by one or several published tolerances; `BadValue` where the two contradict.

        A tolerance names its own lengths, limits and method. Lengths are metres, or texts with their unit.
        """
        rule, limit = (None if x is None else in_metres(x, name) for x, name in ((rule, "rule"), (limit, "limit")))
        others |= {name: in_metres(others[name], name) for name in _LIMITS if others.get(name) is not None}
        tolerances = [tolerance] if isinstance(tolerance, str) else list(tolerance or ())
        if not tolerances:
            return cls(
                rule=DEFAULT_RULE if rule is None else rule,
                limit=DEFAULT_LIMIT if limit is None else limit,
                judges=limit is not None,
                **others,
            )
        entries = tuple(load_tolerance(name) for name in tolerances)
        limits = ("limit", limit), *((name, others.get(name)) for name in _LIMITS)
        for name, value in limits:
            if value is not None:
                raise BadValue(
                    f"{{set:{name}}}",
                    "given beside {set:tolerance} {entry}",
                    needed="one of the two",
                    remedy=f"Leave {{set:{name}}} out: the entry has its own",
                    entry=tolerances[0],
                )
        flat = next((entry for entry in entries if entry.criterion == "flatness"), None)
        if rule is not None and flat is not None and not any(abs(at - rule) < 1e-6 for at in flat.lengths):
            raise BadValue(
                "{set:rule}",
                "{rule:span} beside {set:tolerance} {entry}",
                needed="a length of the entry: {lengths:span}",
                remedy="Leave {set:rule} out: the entry has its own",
                rule=metres(rule),
                entry=flat.id,
                lengths=tuple(metres(at) for at in flat.lengths),
            )
        if flat is not None:
            others |= {"rule": flat.lengths[0], "limit": min(flat.limits)}
        return cls(judges=True, tolerances=entries, **others)


@dataclass(frozen=True, slots=True)
class Finishing:
    """What is planned on the wall.

    ``seen`` are signs seen on site that stop the job; ``parallel_to`` and ``square_to`` are numbers of other walls of
    the capture; ``rates`` and ``clash`` are files; ``light`` is the angle of raking light in degrees. ``stage`` is how
    far the job is and ``start`` the time of day it begins. ``cut`` are humps that are going to be cut, by place or by
    their number in the plan without cuts, ``shave`` ridges to be shaved after ruling off. ``finish`` [m] is the last
    coat, None for the system's own, ``strip`` [m] the thickness of screed strips, None for dots, ``laser`` [m] how far
    a plumb laser plane stands off the wall's foot. ``mix`` is sand to one of binder, in words such as "1:4".
    ``fix_reading`` are points (x, y, reading) [m] that the face meets in the laser's own readings.
    """

    plane: PlaneOptions = PlaneOptions()
    hacking: HackOptions = HackOptions()
    order: TakeOffOptions = TakeOffOptions()
    system: str | None = None
    seen: tuple[str, ...] = ()
    parallel_to: int | None = None
    square_to: int | None = None
    rates: str | None = None
    area_rule: str = "net"
    clash: str | None = None
    light: float | None = None
    stage: str = STAGES[0]
    start: str | None = None
    cut: tuple[Cut | str, ...] = ()
    shave: tuple[Cut, ...] = ()
    finish: float | None = None
    strip: float | None = None
    laser: float | None = None
    mix: str | None = None
    fix_reading: tuple[tuple[float, float, float], ...] = ()

    def __post_init__(self) -> None:
        start_of(self.start)

    @property
    def material(self) -> System:
        """The material system with the mix asked for; raises as `plan.systems.load` and `with_mix` do."""
        return systems.with_mix(systems.load(self.system or DEFAULT_SYSTEM), self.mix)

    @classmethod
    def by(
        cls,
        *,
        least: Length | None = None,
        most: Length | None = None,
        lean_up_to: float | None = None,
        turn_up_to: float | None = None,
        fix: Iterable[tuple[Any, ...]] = (),
        hack_most: Length | None = None,
        surface: str | None = None,
        old_plaster: tuple[Length, Length] | None = None,
        background: str | None = None,
        waste: float | None = None,
        finish: Length | None = None,
        strip: Length | None = None,
        laser: Length | None = None,
        **others: Any,
    ) -> Finishing:
        """A plan by its single settings; ``others`` are fields of this class.

        Lengths are metres, or texts with their unit. ``least`` and ``most`` are the build-up's, ``lean_up_to`` and
        ``turn_up_to`` [m per m] how far the face may leave plumb and the wall's line; ``fix`` are points (x, y,
        offset, band, beside) as in `plan.finish.FixedPoint`, the last two optional; ``hack_most`` is the deepest cut.
        ``surface``, ``old_plaster`` (thickness from, to), ``background`` and ``waste`` (a share) are what is ordered
        for. Raises `BadValue` for a value that makes no sense.
        """
        plane = _given(lean_up_to=lean_up_to, turn_up_to=turn_up_to)
        plane |= {name: in_metres(x, name) for name, x in _given(least=least, most=most).items()}
        fixed = tuple(_fixed(*point) for point in fix)
        thick = None if old_plaster is None else tuple(in_metres(x, "old_plaster") for x in old_plaster)
        lengths: dict[str, Any] = {
            name: in_metres(x, name) for name, x in _given(finish=finish, strip=strip, laser=laser).items()
        }
        order = _given(surface=surface, old_plaster=thick, background=background, waste=waste)
        return cls(
            plane=PlaneOptions(**plane, fixed=fixed),
            hacking=HackOptions() if hack_most is None else HackOptions(most=in_metres(hack_most, "hack_most")),
            order=TakeOffOptions(**order),
            **lengths,
            **others,
        )


def _fixed(x: Length, y: Length, offset: Length, band: Length = 0.0, beside: bool = False) -> FixedPoint:
    """A point the face goes through, its lengths as people give them."""
    at_x, at_y, off, miss = (in_metres(length, "fix") for length in (x, y, offset, band))
    return FixedPoint(at_x, at_y, off, miss, beside)


def _given(**values: Any) -> dict[str, Any]:
    return {name: value for name, value in values.items() if value is not None}


@dataclass(frozen=True, slots=True)
class Comparing:
    """How two surveys are tied together and what is asked of their difference; lengths in metres, volumes in m3.

    ``same_frame``: both files share one coordinate system, met to ``align_u``. ``reference`` are parts of the earlier
    wall that nobody worked on, ``reference_walls`` numbers of other walls, ``points`` a table of fixed points.
    ``same_surface``: two surveys of an unchanged wall. ``least`` is the cover asked for. ``allowance`` is the thickness
    the price holds, ``background`` and ``finish`` judge the earlier and the later surface, ``confirm`` are answers.
    """

    same_frame: bool = False
    same_surface: bool = False
    reference: tuple[Rectangle, ...] = ()
    reference_walls: tuple[int, ...] = ()
    points: str | None = None
    points_u: float = 0.001
    align_u: float = 0.001
    least: float | None = None
    quoted: float | None = None
    used: float | None = None
    allowance: float | None = None
    rates: str | None = None
    background: Requirement | None = None
    finish: Requirement | None = None
    confirm: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("points_u", "align_u", "least", "quoted", "used", "allowance"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value >= 0):
                raise BadValue(
                    f"{{set:{name}}}",
                    "{value:number}",
                    needed="a number from 0 up",
                    remedy="Give it without a sign",
                    value=share(value),
                )
        ties = [self.same_frame, bool(self.points), bool(self.reference_walls), bool(self.reference)]
        if sum(ties) > 1:
            raise BadValue(
                "the tie",
                "more than one of {set:same_frame}, {set:points}, {set:reference_wall} and {set:reference}",
                needed="one",
                remedy="Keep the surest",
            )

"""What each job finds: one type a job, with what it really has, all of them on top of what was seen of the wall."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any, ClassVar, TypeVar

from flatscan.capture.lines.line_budget import LineSurvey
from flatscan.compare import Difference, Following, Place, Reference
from flatscan.core.choices import STAGES
from flatscan.core.geometry import Mask
from flatscan.core.model import Origin, Readings, Relief, Wall
from flatscan.core.notes import Note
from flatscan.core.photographed import FlatPicture
from flatscan.core.quantity import Quantity
from flatscan.core.showing import Showing
from flatscan.core.unlikely import Doubted, Without
from flatscan.jobs.compared import Agreement, Extra, Question
from flatscan.jobs.job_plan import JobPlan
from flatscan.jobs.settings import Capturing
from flatscan.jobs.work_planned import Planned, Together
from flatscan.plan.day import Day
from flatscan.plan.dots import Laser
from flatscan.plan.face import Clash, Shown
from flatscan.plan.lows import Low
from flatscan.plan.other_planes import Choice
from flatscan.plan.rates import Quote, QuoteLine
from flatscan.plan.screeds import Screeds
from flatscan.relief import Mosaic
from flatscan.relief.shape import Patch, Shape
from flatscan.relief.tie import Tie
from flatscan.relief.unmeasured import Unmeasured, not_measured, unmeasured
from flatscan.standards import Tolerance
from flatscan.straightedge.gaps import Gap, Gaps
from flatscan.straightedge.hand_gaps import HandCheck
from flatscan.verdict import Verdict
from flatscan.wall import Corner

Kind = TypeVar("Kind", bound="Looked")


@dataclass(frozen=True, slots=True)
class Setting:
    """A setting that is not as by default: its ``name``, its ``value`` and the ``default``.

    Values are numbers in SI units (lengths in metres), words, flags, and tuples of these; files by their names.
    """

    name: str
    value: object
    default: object


@dataclass(frozen=True, eq=False, repr=False)
class Seen(Showing):
    """A capture's wall as a relief, and how everything about it is known, before anything was made of it.

    ``relief`` is as measured. ``title`` is the wall's name in its user's own words, ``tie`` what laser readings that
    tie a scan down showed (None: not tied), ``corners`` where other walls meet this one, ``neighbours`` the other
    walls of its capture, ``step`` [m] the file's own rounding across the wall, ``mosaic`` how the captures of a wall
    put together from several lie. ``how`` are the settings it was read with, ``against`` what in the file speaks
    against the capture type that somebody declared, ``laser`` the plane that its readings, or those that tie it down,
    were read from. Of a table ``readings`` are the readings themselves, ``doubted`` those that the others make
    unlikely, ``fixed`` its points (x, y, offset) that the face must meet. ``stood`` is where scanners stood, None where
    the file does not tell, ``picture`` the wall straight on where photos of it are the capture.
    """

    origin: Origin
    capture_type: str
    title: str
    wall: Wall
    relief: Relief
    notes: tuple[Note, ...]
    tie: Tie | None = None
    corners: tuple[Corner, ...] = ()
    neighbours: tuple[Wall, ...] = ()
    step: float = 0.0
    mosaic: Mosaic | None = None
    how: Capturing = Capturing()
    against: tuple[Note, ...] = ()
    readings: Readings | None = None
    doubted: tuple[Doubted, ...] = ()
    fixed: tuple[tuple[float, float, float], ...] = ()
    laser: Laser | None = None
    stood: Stood | None = None
    picture: FlatPicture | None = None


@dataclass(frozen=True, slots=True)
class Stood:
    """Where scanners stood: how many, how far off the wall's plane [m], and how askew they saw its farthest corner.

    ``askew`` [degrees] is from square to the wall, of the position nearest to the wall.
    """

    count: int
    nearest: float
    farthest: float
    askew: float


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Looked(Showing):
    """What every job begins with: the wall seen, its ``relief`` smoothed as the limit asks, its shape and patches.

    ``notes`` are all that is worth saying of capture, wall and relief, the reader's doubts first. ``settings``
    are all that differ from their default. ``job`` is the plan of the job it belongs to.
    """

    command: ClassVar[str]
    usual_stage: ClassVar[str] = STAGES[0]

    seen: Seen
    relief: Relief
    shape: Shape
    patches: tuple[Patch, ...]
    notes: tuple[Note, ...]
    settings: tuple[Setting, ...] = ()
    job: JobPlan = JobPlan()

    def extended(self, kind: type[Kind], **more: Any) -> Kind:
        """A job's result on top of this, with what the job found as ``more``."""
        return kind(**{item.name: getattr(self, item.name) for item in fields(Looked)}, **more)

    @property
    def stage(self) -> str:
        """How far the job is: as its plan says, else what the command is usually asked for."""
        return self.job.stage or self.usual_stage

    @property
    def wall(self) -> Wall:
        """The wall looked at."""
        return self.seen.wall

    @property
    def origin(self) -> Origin:
        """Where the numbers come from."""
        return self.seen.origin

    @cached_property
    def unmeasured(self) -> tuple[Unmeasured, ...]:
        """The parts of the wall that were not measured, the largest first."""
        return unmeasured(self.relief, self.wall)

    @property
    def not_measured(self) -> tuple[Note, ...]:
        """What is to be said of them: where each lies and why."""
        missing = (1 - self.relief.covered_share) * self.relief.wall_area
        return not_measured(self.unmeasured, missing if self.unmeasured else 0.0)


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Survey(Looked):
    """Before quoting: gaps, plan and choices; what was asked for beside them is None or empty where it was not.

    ``without`` are the answers without readings that are doubted, ``hangs`` what must be settled before it is quoted.
    ``day`` is the program of the work, None where nothing could be ordered. ``beyond`` is what the wall takes over the
    thickness that the user's rates hold, None without rates.
    """

    command: ClassVar[str] = "survey"

    gaps: Gaps
    plan: Planned
    choices: tuple[Choice, ...] = ()
    quote: Quote | None = None
    clashes: tuple[Clash, ...] = ()
    shown: Shown | None = None
    together: Together | None = None
    without: tuple[Without, ...] = ()
    hangs: Note | None = None
    day: Day | None = None
    beyond: Variation | None = None


@dataclass(frozen=True, slots=True)
class Either:
    """What is found both ways: with the objects of these numbers as wall, and left out.

    ``state`` is theirs, ``as_wall`` and ``left_out`` the largest gap [m] (None: none), the others the decisions.
    """

    numbers: tuple[int, ...]
    state: str
    as_wall: Quantity | None
    left_out: Quantity | None
    decision_as_wall: str
    decision_left_out: str


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Check(Looked):
    """Does it conform: the sweep, the verdict, the entries judged by, people's readings beside the scan's.

    ``either`` is what hangs on objects before the wall.
    """

    command: ClassVar[str] = "check"
    usual_stage: ClassVar[str] = STAGES[3]

    gaps: Gaps
    verdict: Verdict
    tolerance: Tolerance | None
    method: str
    hand: tuple[HandCheck, ...] = ()
    either: tuple[Either, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class SetOut(Looked):
    """Screeds, dots and packings of the finish plane, and the program of the work as in a survey."""

    command: ClassVar[str] = "setout"
    usual_stage: ClassVar[str] = STAGES[1]

    plan: Planned
    screeds: Screeds
    day: Day | None = None


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Lows(Looked):
    """After ruling off: the gaps, which ridges to shave, and what to fill then, from ``limit`` [m] up.

    ``gaps`` are those of the wall as it stands; ``where`` (rows, cols) marks what is filled once the ridges are off.
    ``waste`` is the share of the material that goes astray beside what fills,
    ``doubtful`` are lows that are left out because they hold less than their own ±.
    """

    command: ClassVar[str] = "lows"
    usual_stage: ClassVar[str] = STAGES[2]

    gaps: Gaps
    lows: tuple[Low, ...]
    ridges: tuple[Low, ...]
    limit: float
    where: Mask
    waste: float
    doubtful: tuple[Low, ...] = ()


@dataclass(frozen=True, slots=True)
class LowsByHand:
    """Lows out of straightedge readings that somebody wrote down, over ``limit`` [m]; no wall was captured."""

    file: str
    sha256: str
    readings: int
    limit: float
    lows: tuple[Low, ...]
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, eq=False)
class Background:
    """The earlier surface against its own limit: its check and what is over the limit.

    ``excess`` [m] is the largest gap less the limit (None where there is none to judge), ``area`` [m2] where a gap
    over the limit lies, each with its interval.
    """

    check: Check
    limit: float
    excess: Quantity | None
    area: Quantity


@dataclass(frozen=True, slots=True)
class Variation:
    """What the wall takes beyond the allowance [m]; the amounts of ``lines`` are differences of two quotes.

    ``planned`` is by the earlier survey, ``applied`` by both. ``passes``, ``visits``, ``bags`` and ``hours`` of work
    are (at the allowance, now), ``products`` how much more of each is bought (name, unit, count), ``ends`` the sum of
    the lines at both ends of the volume's interval, None where that is not known. ``survey`` is that of the wall as it
    was before the work, whose cautions stand before it.
    """

    allowance: float
    planned: Extra
    applied: Extra | None
    passes: tuple[int, int]
    visits: tuple[int | None, int | None]
    bags: tuple[int | None, int | None]
    system: str
    survey: Survey
    hours: tuple[float | None, float | None] = (None, None)
    products: tuple[tuple[str, str, float], ...] = ()
    lines: tuple[QuoteLine, ...] = ()
    currency: str = ""
    ends: tuple[float, float] | None = None

    @property
    def thickness(self) -> float:
        """Mean thickness beyond the allowance [m] where there is any."""
        return self.planned.volume.value / self.planned.area if self.planned.area > 0 else 0.0

    @property
    def amount(self) -> float | None:
        """Sum of the lines in the user's currency, None where there are no rates."""
        return sum(line.amount for line in self.lines) if self.lines else None


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Change(Looked):
    """Two surveys of one wall: what changed, and what follows for cover, litres, agreement, background and price.

    What was seen is the later survey. ``earlier`` is what was seen before, ``gaps`` and ``verdict`` are the later
    surface's (no verdict where it was given no limit). ``thin`` are places under the least cover and ``under`` their
    area and the part of it that is so with 95 % confidence [m2]. ``questions`` must be answered before any of it is
    used, ``not_judged`` is what nothing in two surveys can tell, ``reference`` the part that they were leveled on.
    ``other`` is the earlier survey's own check, where two parties are in dispute.
    """

    command: ClassVar[str] = "compare"

    earlier: Seen
    difference: Difference
    following: Following
    gaps: Gaps
    method: str
    verdict: Verdict | None = None
    tolerance: Tolerance | None = None
    hand: tuple[HandCheck, ...] = ()
    least: float | None = None
    thin: tuple[Place, ...] = ()
    under: Quantity | None = None
    quoted: float | None = None
    used: float | None = None
    agreement: Agreement | None = None
    background: Background | None = None
    variation: Variation | None = None
    questions: tuple[Question, ...] = ()
    not_judged: tuple[Note, ...] = ()
    reference: Reference | None = None
    other: Check | None = None


@dataclass(frozen=True, eq=False, repr=False)
class Lines(Showing):
    """Photographed laser lines with the largest gap along each under a straightedge of ``rule`` [m], None: none."""

    command: ClassVar[str] = "line"

    surveyed: LineSurvey
    gaps: tuple[Gap | None, ...]
    rule: float


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class SiteWall(Survey):
    """One wall of a site: surveyed, and judged where the site has a limit."""

    command: ClassVar[str] = "site"

    verdict: Verdict | None = None
    tolerance: Tolerance | None = None
    method: str = "resting"
    hand: tuple[HandCheck, ...] = ()


Result = Survey | Check | SetOut | Lows | Change
# results that can have been judged: with the entry, how the straightedge was read, and people's readings
Tested = Check | Change | SiteWall


def verdict_in(result: Result) -> Verdict | None:
    """The verdict of a result, None where nothing was judged."""
    return result.verdict if isinstance(result, Tested) else None


def gaps_in(result: Result) -> Gaps | None:
    """The gaps shown with a result, None where no straightedge was laid."""
    return None if isinstance(result, SetOut) else result.gaps

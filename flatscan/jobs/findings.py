"""What a job found, for the sheets to say."""

from __future__ import annotations

from dataclasses import dataclass

from flatscan.core.model import Origin, Relief, Wall
from flatscan.core.notes import Note
from flatscan.jobs.comparison import Comparison
from flatscan.plan.choices import Choice
from flatscan.plan.clash import Clash
from flatscan.plan.coats import Band
from flatscan.plan.extras import Extras
from flatscan.plan.finish import BuildUp
from flatscan.plan.hacking import Hack
from flatscan.plan.light import Shown
from flatscan.plan.lows import Low
from flatscan.plan.order import OrderLine
from flatscan.plan.rates import Quote
from flatscan.plan.screeds import SetOut
from flatscan.plan.takeoff import TakeOff
from flatscan.relief.shape import Patch, Shape
from flatscan.relief.tie import Tie
from flatscan.standards import Tolerance
from flatscan.straightedge.gaps import Gaps
from flatscan.straightedge.hand import HandCheck
from flatscan.verdict import Verdict
from flatscan.wall import Corner


@dataclass(frozen=True, slots=True)
class Together:
    """Walls of one room planned together: the turn they share [m per m], and one order.

    ``corners`` is square or keep; ``volume`` [m3] is their sum, ``squaring`` [m3] what square corners cost over corners
    kept, None where they are kept.
    """

    walls: tuple[int, ...]
    corners: str
    shared_turn: float
    volume: float
    squaring: float | None
    order: tuple[OrderLine, ...]


@dataclass(frozen=True, eq=False)
class Findings:
    """All that one command found about one wall; what the command does not ask for is None or empty.

    ``title`` is the wall's name in its user's own words. ``tolerance`` is the entry the verdict judged by, None for
    a rule and limit entered by hand; ``method`` is how the straightedge is read. ``fixed`` are points the finished
    face goes through (x, y, offset). ``tie`` is what laser readings that tie a scan
    down showed. ``settings`` are options that differ from their defaults, in words.
    ``corners`` are where other walls meet this one, ``hand`` people's straightedge readings beside the scan's,
    ``shown`` what raking light would show.
    """

    command: str
    origin: Origin
    capture_type: str
    u_point: float | None
    warnings: tuple[Note | str, ...]
    wall: Wall
    relief: Relief
    shape: Shape
    patches: tuple[Patch, ...]
    gaps: Gaps | None = None
    verdict: Verdict | None = None
    build_up: BuildUp | None = None
    take_off: TakeOff | None = None
    hacks: tuple[Hack, ...] | None = None
    set_out: SetOut | None = None
    lows: tuple[Low, ...] | None = None
    ridges: tuple[Low, ...] = ()
    title: str = ""
    tolerance: Tolerance | None = None
    method: str = "resting"
    fixed: tuple[tuple[float, float, float], ...] = ()
    settings: tuple[tuple[str, str], ...] = ()
    tie: Tie | None = None
    compared: Comparison | None = None
    corners: tuple[Corner, ...] = ()
    hand: tuple[HandCheck, ...] = ()
    choices: tuple[Choice, ...] = ()
    bands: tuple[Band, ...] = ()
    extras: Extras | None = None
    quote: Quote | None = None
    clashes: tuple[Clash, ...] = ()
    shown: Shown | None = None
    together: Together | None = None


@dataclass(frozen=True, eq=False)
class Seen:
    """A capture's wall as a relief, before anything was made of it.

    ``corners`` are those of this wall, ``neighbours`` the other walls of its capture, ``step`` [m] the file's own
    rounding across the wall.
    """

    origin: Origin
    capture_type: str
    title: str
    wall: Wall
    relief: Relief
    notes: tuple[Note | str, ...]
    tie: Tie | None = None
    corners: tuple[Corner, ...] = ()
    neighbours: tuple[Wall, ...] = ()
    step: float = 0.0

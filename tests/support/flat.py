"""What one command found laid out flat, so that a test can change one part of it: `results` makes results of it."""

from __future__ import annotations

from dataclasses import dataclass

from flatscan.compare import Difference, Following, Place
from flatscan.core.model import Origin, Relief, Wall
from flatscan.core.notes import Note
from flatscan.jobs.results import (
    Agreement,
    Background,
    Together,
    Variation,
)
from flatscan.plan.coats import Band
from flatscan.plan.face import Clash, Shown
from flatscan.plan.finish import BuildUp
from flatscan.plan.hacking import Hack
from flatscan.plan.lows import Low
from flatscan.plan.other_planes import Choice
from flatscan.plan.rates import Extras, Quote
from flatscan.plan.screeds import Screeds
from flatscan.plan.takeoff import TakeOff
from flatscan.relief.shape import Patch, Shape
from flatscan.relief.tie import Tie
from flatscan.standards import Tolerance
from flatscan.straightedge.gaps import Gaps
from flatscan.straightedge.hand_gaps import HandCheck
from flatscan.verdict import Verdict
from flatscan.wall import Corner


@dataclass(frozen=True, eq=False)
class Comparison:
    """What a change says beside the later survey."""

    earlier: Origin
    earlier_type: str
    change: Difference
    least: float | None = None
    thin: tuple[Place, ...] = ()
    under: tuple[float, float] | None = None
    quoted: float | None = None
    used: float | None = None
    agreement: Agreement | None = None
    following: Following | None = None
    background: Background | None = None
    variation: Variation | None = None


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
    warnings: tuple[Note, ...]
    wall: Wall
    relief: Relief
    shape: Shape
    patches: tuple[Patch, ...]
    gaps: Gaps | None = None
    verdict: Verdict | None = None
    build_up: BuildUp | None = None
    take_off: TakeOff | None = None
    hacks: tuple[Hack, ...] | None = None
    set_out: Screeds | None = None
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

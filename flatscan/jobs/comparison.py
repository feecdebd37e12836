"""What comparing two surveys of one wall is asked for and what it finds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from flatscan.compare import Change, Following, Place
from flatscan.core.errors import BadValue
from flatscan.core.model import Origin
from flatscan.core.quantity import Quantity
from flatscan.jobs.settings import Rectangle, Requirement
from flatscan.plan.rates import QuoteLine

if TYPE_CHECKING:
    from flatscan.jobs.findings import Findings


@dataclass(frozen=True, slots=True)
class Comparing:
    """How two surveys are tied together and what is asked of their difference; lengths in metres, volumes in m3.

    ``same_frame``: both files share one coordinate system, met to ``align_u``. ``reference`` are parts of the earlier
    wall that nobody worked on, ``reference_walls`` numbers of other walls, ``points`` a table of fixed points.
    ``same_surface``: two surveys of an unchanged wall. ``least`` is the cover asked for. ``allowance`` is the thickness
    the price holds, ``rates`` the user's rates file, ``background`` and ``finish`` what the earlier and the later
    surface are judged by.
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

    def __post_init__(self) -> None:
        for name in ("points_u", "align_u", "least", "quoted", "used", "allowance"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value >= 0):
                raise BadValue(
                    f"--{name.replace('_', '-')}", f"{value:g}", needed="a number from 0 up",
                    remedy="Give it without a sign",
                )  # fmt: skip
        ties = [self.same_frame, bool(self.points), bool(self.reference_walls), bool(self.reference)]
        if sum(ties) > 1:
            raise BadValue(
                "the tie", "more than one of --same-frame, --points, --reference-wall and --reference",
                needed="one", remedy="Keep the surest",
            )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Agreement:
    """Whether two surveys of one surface agree within their joint ±.

    ``differ`` are the parts where they do not, at a factor on u that leaves 5 % for the whole wall; ``factor`` is it.
    ``lean`` [m per m] is the later survey's lean less the earlier's. ``correlation`` is that of the two shapes.
    """

    agree: bool
    differ: tuple[Place, ...]
    share: float
    factor: float
    lean: Quantity
    lean_agrees: bool | None
    correlation: float | None


@dataclass(frozen=True, eq=False)
class Background:
    """The earlier surface against its own limit: ``findings`` of the check and what is over the limit.

    ``excess`` [m] is the largest gap less the limit (None where there is none to judge), ``area`` [m2] where a gap
    over the limit lies.
    """

    findings: Findings
    limit: float
    excess: float | None
    area: float


@dataclass(frozen=True, slots=True)
class Extra:
    """Quantity beyond the thickness allowed: ``volume`` [m3] over ``area`` [m2], ``source`` how it is known."""

    volume: Quantity
    area: float
    source: str


@dataclass(frozen=True, slots=True)
class Variation:
    """What the wall takes beyond the allowance [m]; the amounts of ``lines`` are differences of two quotes.

    ``planned`` is by the earlier survey, ``applied`` by both. ``passes``, ``visits`` and ``bags`` are (at the
    allowance, now). ``survey`` is that of the earlier capture, whose cautions stand before
    such work.
    """

    allowance: float
    planned: Extra
    applied: Extra | None
    passes: tuple[int, int]
    visits: tuple[int | None, int | None]
    bags: tuple[int | None, int | None]
    system: str
    lines: tuple[QuoteLine, ...] = ()
    currency: str = ""
    survey: Findings | None = None

    @property
    def amount(self) -> float | None:
        """Sum of the lines in the user's currency, None where there are no rates."""
        return sum(line.amount for line in self.lines) if self.lines else None


@dataclass(frozen=True, eq=False)
class Comparison:
    """Two surveys of one wall: what changed, and what follows for cover, litres, agreement, background and price.

    ``earlier`` is where the earlier survey's numbers come from, ``earlier_type`` its capture type. ``thin`` are places
    under the least cover and ``under`` their area and the part of it that is so with 95 % confidence [m2].
    """

    earlier: Origin
    earlier_type: str
    change: Change
    least: float | None = None
    thin: tuple[Place, ...] = ()
    under: tuple[float, float] | None = None
    quoted: float | None = None
    used: float | None = None
    agreement: Agreement | None = None
    following: Following | None = None
    background: Background | None = None
    variation: Variation | None = None

"""The sentences every sheet shares, and numbers as people on site read them."""

from __future__ import annotations

import math

from flatscan.core.notes import Caution
from flatscan.core.units import METRES_PER, area_text, length_text, mass_text, volume_text
from flatscan.plan import stops as signs
from flatscan.report.say import Said, say
from flatscan.report.view import Findings
from flatscan.verdict import Criterion

RECORD = "Record of measurement. The limit is as entered; the contract's document and edition govern."
NEVER = "bond and hollowness, damp and salts, structure, hidden services, old coatings"
# short forms for one screen and for a line over a drawing; the full ones stand on paper and on the page
BEFORE_HACKING = (
    "Before hacking off: find and isolate hidden services, have old coatings tested (asbestos, lead), keep silica dust "
    "down, ask an engineer about cracks. Local codes and licensed practice come first."
)
BEFORE_WORK = "Wet cement and lime burn skin and eyes; work at height from a proper platform."
BEFORE_FILLING = say(signs.WET_CEMENT)
NO_STOP = say(signs.NO_STOP)
THICK = 0.025
# from here on the work is done from a platform
_REACH = 2.0
DECISIONS = {
    "within": "within the limit as entered",
    "outside": "outside the limit as entered",
    "undecided": "undecided: neither pass nor fail",
}


def length(value: float | None, system: str, *, decimals: int = 0) -> str:
    """A length [m] with its unit, or "not known"."""
    return "not known" if value is None else length_text(value, system, decimals=decimals)


def bare(value: float | None, system: str, *, decimals: int = 0) -> str:
    """A length [m] for a column whose head carries the mm; inches always carry their own."""
    if value is None:
        return "-"
    return f"{value * 1000 + 0.0:.{decimals}f}" if system == "mm" else length_text(value, system)


def signed(value: float, system: str) -> str:
    """A deviation [m] in words: proud, hollow, or on the plane."""
    if round(value * 1000, 1) == 0:
        return "on the plane"
    return f"{length(abs(value), system, decimals=1)} {'proud' if value > 0 else 'hollow'}"


def spread(u: float | None, system: str) -> str:
    """± expanded uncertainty (k = 2) [m], rounded up so that a sheet never shows less than there is."""
    if u is None:
        return "(± not known)"
    wide = 2 * u
    if system == "in":
        step = 0.0254 / 16
        return f"± {length_text(max(1, -int(-wide / step // 1)) * step, system)}"
    return f"± {-int(-wide * 10000 // 1) / 10:.1f} mm"


def quantity(value: float | None, u: float | None, system: str, *, decimals: int = 1) -> str:
    """A length ± its expanded uncertainty (k = 2)."""
    return "not known" if value is None else f"{length(value, system, decimals=decimals)} {spread(u, system)}"


def area(value: float, system: str) -> str:
    """An area [m2] with its unit."""
    return area_text(value, system)


def mass(value: float, system: str) -> str:
    """A mass [kg] with its unit."""
    return mass_text(value, system)


def load(value: float, system: str) -> str:
    """A mass on an area [kg per m2] with its unit."""
    if system == "in":
        # the mass on one square foot, from the exact foot
        return f"{mass_text(value * METRES_PER['ft'] ** 2, system, decimals=1)} per sq ft"
    return f"{mass_text(value, system)} per m²"


def sentence(told: Said) -> str:
    """The text with a capital first and one full stop last."""
    text = say(told).strip()
    return f"{text[:1].upper()}{text[1:].rstrip('.')}." if text else ""


def volume(value: float, u: float | None, system: str, *, decimals: int = 0) -> str:
    """A volume [m3] ± its expanded uncertainty (k = 2), in litres or US gallons; u = 0 leaves the ± out."""
    said = volume_text(value, system, decimals=decimals)
    if u is None:
        return f"{said} (± not known)"
    return said if u == 0 else f"{said} ± {volume_text(2 * u, system, decimals=decimals)}"


def criterion_u(findings: Findings, name: str) -> float | None:
    """Standard uncertainty [m] of what a criterion judged, None where it is not known."""
    judged = None if findings.gaps is None else findings.gaps.judged()
    if name == "flatness":
        return None if judged is None else judged.u
    if name == "plumb" and findings.wall.plumb.u_lean is not None:
        # the points' own part and the vertical's, as the verdict has them
        return math.hypot(findings.shape.u_lean, findings.wall.plumb.u_lean) * findings.wall.height
    return None


def place(at: tuple[float, float], system: str) -> str:
    """A point on the wall as the tape finds it."""
    return f"{length(at[0], system)} from the left, {length(at[1], system)} up"


def wall_name(findings: Findings) -> str:
    """The wall's number, with its user's own name for it."""
    name = f"Wall {findings.wall.number}"
    title = " ".join(findings.title.split())
    return f"{name}: {title}" if title else name


def before_thick(units: str) -> str:
    """What stands before thick build-up."""
    return say(signs.THICK, units)


def all_cautions(findings: Findings, units: str = "mm", *, hacking: bool = True) -> tuple[str, ...]:
    """What has to stand before the sheets of these findings, the weightiest first, each in full.

    Sheets that tell nobody to cut leave those of ``hacking`` out.
    """
    return (*stops(findings), *(say(caution, units) for caution in _cautions(findings, hacking)))


def _cautions(findings: Findings, hacking: bool) -> tuple[Caution, ...]:
    found = [*(findings.take_off.cautions if findings.take_off is not None else ())]
    found += [signs.THICK] if is_thick(findings) else []
    found += list(signs.HACKING) if findings.hacks and hacking else []
    found += [signs.WET_CEMENT] if _wet_work(findings) else []
    found += [signs.HEIGHT] if findings.wall.height > _REACH and (findings.hacks or _wet_work(findings)) else []
    return tuple(dict.fromkeys(found))


def short_cautions(findings: Findings, units: str = "mm") -> tuple[str, ...]:
    """The same for one screen or one line over a drawing: what warns of hacking, and of the work, drawn together."""
    return (*stops(findings), *beside_stops(findings, units))


def beside_stops(findings: Findings, units: str) -> tuple[str, ...]:
    """The short cautions without the stop signs."""
    drawn = (*signs.HACKING, signs.WET_CEMENT, signs.HEIGHT)
    told = [say(caution, units) for caution in _cautions(findings, hacking=True) if caution not in drawn]
    told += [BEFORE_HACKING] if findings.hacks else []
    return (*told, BEFORE_WORK) if _wet_work(findings) else tuple(told)


def is_thick(findings: Findings) -> bool:
    """Whether some of the build-up is over what needs the designer's word."""
    return findings.build_up is not None and findings.build_up.most > THICK


def _wet_work(findings: Findings) -> bool:
    return findings.build_up is not None or bool(findings.lows)


def stops(findings: Findings) -> tuple[str, ...]:
    """Stop signs that fire, each opened by the word."""
    if findings.take_off is None:
        return ()
    return tuple(f"STOP: {say(sign)}" for sign in findings.take_off.stops)


def order_notes(findings: Findings) -> tuple[str, ...]:
    """What is said of the order, first that no stop sign fired where none did."""
    order = findings.take_off
    if order is None:
        return ()
    return (*(() if order.stops else (NO_STOP,)), *map(say, order.notes))


def not_examined(findings: Findings, system: str = "mm", *, always: bool = True) -> tuple[str, ...]:
    """What this record says nothing about, in words; ``always`` brings what no survey of a shape can see."""
    relief, verdict = findings.relief, findings.verdict
    missing = 1 - relief.covered_share
    found = [NEVER] if always else []
    if missing >= 0.0005:
        found.append(f"{missing * 100:.1f} % of the wall (not measured)")
    if not relief.known_between:
        found.append("everything between the stations")
    elif relief.smoothed_over:
        narrow = length(0.85 * relief.smoothed_over, system)
        found.append(f"features narrower than {narrow} (smoothed away)")
    if relief.hidden:
        found.append(f"{relief.hidden} cells where smoothing may hide a lump")
    found += [] if verdict is None else [f"{name} (not judged)" for name in verdict.not_judged]
    return tuple(found)


def judged(findings: Findings, criterion: Criterion, units: str) -> str:
    """One criterion's decision in one sentence, always with its ± and its limit."""
    u = criterion_u(findings, criterion.name)
    found = "could not be measured" if criterion.value is None else quantity(criterion.value, u, units)
    where = ""
    if criterion.name == "flatness" and findings.gaps is not None:
        edge = length(findings.gaps.rule, units)
        where = f" under a {edge} straightedge"
        shown = findings.gaps.judged()
        where += "" if shown is None else f", {place(shown.at, units)}"
    named = f"{criterion.name.capitalize()} {DECISIONS.get(criterion.decision, criterion.decision)}"
    return f"{named}: {found}{where}; limit {length(criterion.limit, units, decimals=1)}."

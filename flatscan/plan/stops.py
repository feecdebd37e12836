"""Signs that a wall is not a plastering problem, and the cautions that stand before what they warn of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.core.errors import BadValue
from flatscan.core.model import Relief, Wall
from flatscan.core.quantity import root_sum_square
from flatscan.plan.finish import BuildUp
from flatscan.relief.shape import Shape

LOCAL_RULES = "Local codes and licensed practice come first; this record decides nothing about safety."
NO_STOP = "no stop sign in the shape; structure, damp, bond, services and old coatings were not examined"

HACKING = (
    "Before hacking off: find and isolate hidden services (cables, pipes); have them traced by a competent person.",
    "Cutting masonry makes silica dust: work wet, extract at the tool, wear a fitted mask and eye protection.",
    "Old coatings, plasters and boards may hold asbestos or lead: have a sample tested before disturbing them.",
    "Stop at moving cracks, loose masonry, or anything that may carry load near an opening: ask a structural engineer.",
    LOCAL_RULES,
)
THICK = "Build-up over 25 mm: get the designer's word on weight, support and mesh before it goes on."
STRUCTURE = (
    "A bulge, a lean or a moving crack is for a structural engineer: do not hack, load or cover the wall until one has "
    "looked at it."
)
LASER = "Class 2 laser: never look into the beam or point it at eyes, and keep it off mirrors and glass."
LASER_WORK = (
    LASER,
    "Set the laser up where its beam does not come out at anybody's eye level, on a stable stand on firm ground.",
    "Read high places from a stable platform, never from a ladder with a screen or a phone in hand: come down first.",
    LOCAL_RULES,
)
HEIGHT = "Work at height from a proper platform, not from a ladder or a stacked hop-up; keep openings guarded."
WET_CEMENT = "Wet cement and lime burn skin and eyes: wear gloves and eye protection, rinse at once with clean water."
OLD_PLASTER_STAYS = (
    "Old plaster that stays carries the new: its bond, soundness, damp and coatings were not examined; sound it all "
    "over and test the coatings first."
)
OLD_PLASTER_OFF = (
    "Before old plaster comes off: test it for asbestos and lead, trace services, and keep the dust down; what is "
    "behind it was not measured."
)


# what a surveyor saw on site; the scan sees none of it
SEEN = {
    "damp": "damp: find and cure it first; a damp specialist",
    "salts": "salts: find where the water comes from first; a damp specialist",
    "blown": "blown coats: find how far they are loose, and why, before anything goes on them",
    "moving crack": "a moving crack: a structural engineer",
}


@dataclass(frozen=True, slots=True)
class StopLimits:
    """Where the signs fire [m]: bulge and lean over 25 mm (surveyors' practice, printed), build-up over 25 and 40 mm.

    Over 25 mm the designer's word is needed (printed on a site sheet), over 40 mm board or rebuild (common practice).
    """

    bulge: float = 0.025
    lean: float = 0.025
    designer: float = 0.025
    rebuild: float = 0.040
    k: float = 1.645


def _text(value: float, u: float) -> str:
    return f"{value * 1e3:.1f} mm (± {2 * u * 1e3:.1f} mm)"


def _bulges(relief: Relief, wall: Wall, shape: Shape, limits: StopLimits) -> list[str]:
    """Bellies along and up, and the deepest single bulge off the best-fit plane."""
    signs = []
    for way, value, span in (("along", shape.belly_along, wall.width), ("up", shape.belly_up, wall.height)):
        if value is None:
            continue
        u = float(relief.common.u_gap(np.array(span / 2), np.array(span / 2)))
        if abs(value) + limits.k * u > limits.bulge:
            kind = "bulges toward the room" if value > 0 else "is hollow"
            signs.append(
                f"the wall {kind} by {_text(abs(value), u)} {way}, over {limits.bulge * 1e3:g} mm with its "
                f"uncertainty. {STRUCTURE}"
            )
    return signs


def _lean(wall: Wall, shape: Shape, limits: StopLimits) -> list[str]:
    slope = wall.plumb.u_lean
    if slope is None:
        return []
    u = slope * wall.height
    if abs(shape.lean_height) + limits.k * u <= limits.lean:
        return []
    side = "into the room" if shape.lean_height > 0 else "away from the room"
    return [
        f"the wall leans {side} by {_text(abs(shape.lean_height), u)} over its height, over "
        f"{limits.lean * 1e3:g} mm with its uncertainty. {STRUCTURE}"
    ]


def _thick(relief: Relief, build_up: BuildUp, limits: StopLimits) -> list[str]:
    """Local build-up over 40 mm is a stop; over 25 mm it is only a caution (see `thick_caution`)."""
    u = _u_thickest(relief, build_up)
    if build_up.most + limits.k * u <= limits.rebuild:
        return []
    return [
        f"the build-up reaches {_text(build_up.most, u)}, over {limits.rebuild * 1e3:g} mm with its uncertainty: "
        f"board or rebuild rather than plaster, and look at the structure. {THICK}"
    ]


def _u_thickest(relief: Relief, build_up: BuildUp) -> float:
    at = np.unravel_index(int(np.nanargmax(build_up.thickness)), build_up.thickness.shape)
    random = float(relief.u[at])
    return root_sum_square(random if np.isfinite(random) else 0.0, relief.common.sd) or 0.0


def stops(
    relief: Relief,
    wall: Wall,
    shape: Shape,
    build_up: BuildUp | None = None,
    *,
    seen: tuple[str, ...] = (),
    limits: StopLimits | None = None,
) -> tuple[str, ...]:
    """Stop signs that fire on value + 1.645 u, as sentences; empty means only `cautions.NO_STOP` may be said.

    ``seen`` names what the surveyor saw (keys of `SEEN`); an unknown one raises `BadValue`.
    """
    limits = limits or StopLimits()
    unknown = [name for name in seen if name not in SEEN]
    if unknown:
        raise BadValue("signs seen", ", ".join(unknown), needed=" or ".join(SEEN), remedy="Use one of these words")
    signs = _bulges(relief, wall, shape, limits) + _lean(wall, shape, limits)
    if build_up is not None:
        signs += _thick(relief, build_up, limits)
    return tuple(signs + [f"{SEEN[name]} (seen on site)" for name in seen])


def not_judged(wall: Wall) -> tuple[str, ...]:
    """What the stop signs could not look at, as sentences."""
    if wall.plumb.u_lean is None:
        return ("lean was not judged as a stop sign: how well plumb is known was not stated",)
    return ()


def thick_caution(build_up: BuildUp, limits: StopLimits | None = None) -> tuple[str, ...]:
    """The caution about build-up over 25 mm, where it applies."""
    limits = limits or StopLimits()
    return (THICK,) if build_up.most > limits.designer else ()

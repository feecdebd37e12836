"""A wall on several levels: which part of it is shown, all its parts, and the steps between them."""

from __future__ import annotations

from typing import Any

from flatscan.core.level_parts import LevelStep
from flatscan.core.model import Wall
from flatscan.core.notes import Note, Unknown, note
from flatscan.core.quantity import Quantity, metres, square_metres
from flatscan.report.tables import shows


def level_values(wall: Wall) -> dict[str, Any]:
    """The part shown, all parts and steps in its own coordinates, and how far the next part stands proud of part a."""
    parts = tuple(
        {
            "part": part.letter,
            "left_mm": metres(part.left),
            "bottom_mm": metres(part.bottom),
            "width_mm": metres(part.width),
            "height_mm": metres(part.height),
            "area_m2": square_metres(part.area),
        }
        for part in wall.parts
    )
    steps = tuple(
        {
            "from": step.start,
            "to": step.to,
            "step_mm": _size(step),
            "u_step_mm": metres(step.u),
            "left_mm": metres(step.left),
            "bottom_mm": metres(step.bottom),
            "right_mm": metres(step.right),
            "top_mm": metres(step.top),
        }
        for step in wall.steps
    )
    return {"part": wall.part, "parts": parts, "step_mm": _from_largest(wall), "steps": steps}


def _size(step: LevelStep) -> Quantity:
    return metres(step.size, step.u)


def _from_largest(wall: Wall) -> Quantity | Unknown:
    """How far the part beside part a stands proud of it; of two, the one whose step is larger."""
    here = [metres(step.size if step.start == "a" else -step.size, step.u) for step in wall.steps
            if "a" in (step.start, step.to)]  # fmt: skip
    return max(here, key=lambda one: abs(one.value)) if here else Unknown("unknown.one-level")


def level_steps(wall: Wall) -> tuple[Note, ...]:
    """Each step of a wall in words: which part stands proud of which, by how much, along which line."""
    return tuple(_said(wall, step) for step in wall.steps)


def _said(wall: Wall, step: LevelStep) -> Note:
    names = [f"{wall.number}{letter}" for letter in (step.start, step.to)]
    # the part that stands proud comes first
    proud, other = names if step.size < 0 else names[::-1]
    at = step.left if step.upright else step.bottom
    by = metres(abs(step.size), step.u)
    code = "report.step-upright" if step.upright else "report.step-level"
    return note(code, None, proud=proud, other=other, step=by, here=wall.name, at=metres(at if shows(at) else 0.0))

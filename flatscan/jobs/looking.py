"""What every job begins with: noise smoothed as far as the limit asks for, and the wall's shape."""

from __future__ import annotations

from flatscan import relief, straightedge
from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, metres, root_sum_square, slope
from flatscan.jobs.results import Looked, Seen
from flatscan.jobs.settings import Progress, Requirement
from flatscan.relief.shape import patches_of, shape_of
from flatscan.straightedge.gaps import Gaps
from flatscan.verdict import coverage_factor


def look(seen: Seen, requirement: Requirement, progress: Progress) -> Looked:
    """Smooth with the smallest window that makes gaps certain enough for the limit, and describe the shape."""
    progress("shape", None)
    smooth = relief.smooth(seen.relief, relief.choose_window(seen.relief, requirement.limit))
    shape = shape_of(smooth, seen.wall)
    return Looked(
        seen=seen,
        relief=smooth,
        shape=shape,
        patches=patches_of(smooth, shape),
        notes=(*seen.notes, *_coarse_step(seen, requirement)),
    )


def _coarse_step(seen: Seen, requirement: Requirement) -> tuple[Note, ...]:
    """Say where the file's own rounding is over a fifth of the limit."""
    if seen.step <= requirement.limit / 5:
        return ()
    return (note("jobs.coarse-step", step=metres(seen.step), limit=metres(requirement.limit)),)


def swept(looked: Looked, requirement: Requirement, progress: Progress) -> Gaps:
    """The straightedge at every place of the relief."""
    progress("straightedge", None)
    k = coverage_factor(requirement.confidence)
    return straightedge.sweep(
        looked.relief, requirement.rule, directions=requirement.directions, k=k, method=requirement.method
    )


def lean_of(looked: Looked) -> Quantity:
    """Lean with its uncertainty: the points' own and how well plumb is known."""
    return slope(looked.shape.lean, root_sum_square(looked.shape.u_lean, looked.wall.plumb.u_lean))

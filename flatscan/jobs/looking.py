"""What every job begins with: noise smoothed as far as the limit asks for, and the wall's shape."""

from __future__ import annotations

from flatscan import relief, straightedge
from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, metres, root_sum_square
from flatscan.jobs.findings import Findings, Seen
from flatscan.jobs.settings import Progress, Requirement
from flatscan.relief.shape import patches_of, shape_of
from flatscan.straightedge.gaps import Gaps


def look(command: str, seen: Seen, test: Requirement, progress: Progress) -> Findings:
    """Smooth with the smallest window that makes gaps certain enough for the limit, and describe the shape."""
    progress("shape", None)
    smooth = relief.smooth(seen.relief, relief.choose_window(seen.relief, test.limit))
    shape = shape_of(smooth, seen.wall)
    return Findings(
        command=command, origin=seen.origin, capture_type=seen.capture_type, u_point=seen.relief.u_point,
        warnings=(*seen.notes, *_coarse_step(seen, test)), wall=seen.wall, relief=smooth, shape=shape,
        patches=patches_of(smooth, shape),
        title=seen.title, tie=seen.tie, corners=seen.corners,
    )  # fmt: skip


def _coarse_step(seen: Seen, test: Requirement) -> tuple[Note, ...]:
    """Say where the file's own rounding is over a fifth of the limit."""
    if seen.step <= test.limit / 5:
        return ()
    return (note("jobs.coarse-step", step=metres(seen.step), limit=metres(test.limit)),)


def swept(found: Findings, test: Requirement, k: float, progress: Progress) -> Gaps:
    """The straightedge at every place of the findings' relief."""
    progress("straightedge", None)
    return straightedge.sweep(found.relief, test.rule, directions=test.directions, k=k, method=test.method)


def lean_of(found: Findings) -> Quantity:
    """Lean with its uncertainty: the points' own and how well plumb is known."""
    return Quantity(found.shape.lean, root_sum_square(found.shape.u_lean, found.wall.plumb.u_lean))

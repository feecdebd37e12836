"""What is worth saying of placed photos: how many, how well, what is known of scale and plumb, what would help."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from flatscan.capture.photos.adjustment import Adjusted
from flatscan.capture.photos.bundle import LeftOut
from flatscan.capture.photos.doubt_modes import ALIKE, Modes
from flatscan.capture.photos.photo_setup import PhotoSetup
from flatscan.capture.photos.wall_axes import Axes
from flatscan.core.notes import Note, note
from flatscan.core.quantity import pixels, share

# fewer photos, a less sure lens, more points that do not fit, fewer points on the wall's plane, or points that err
# alike by so many times what chance does, are said
_FEW, _POOR_FOCAL, _MANY_STRAYS, _ONE_PLANE, _ERR_ALIKE = 8, 0.005, 0.15, 0.6, 3.0


def placing_notes(
    fitted: Adjusted, axes: Axes, modes: Modes, setup: PhotoSetup, left: Sequence[LeftOut]
) -> tuple[Note, ...]:
    """Notes in the order of weight."""
    ties, many = fitted.ties, len(fitted.ties.turns)
    notes = [
        note("placed.photos", count=many, points=len(ties.points), residual=pixels(fitted.residual)),
        *(note("placed.left-out", photo=one.name, why=one.why) for one in left),
    ]
    if many < _FEW:
        notes.append(note("placed.few-photos", count=many))
    strays = fitted.dropped / max(fitted.dropped + len(fitted.sights), 1)
    if strays > _MANY_STRAYS:
        notes.append(note("placed.many-strays", part=share(strays)))
    if axes.on_plane < _ONE_PLANE:
        notes.append(note("placed.other-planes", part=share(1 - axes.on_plane)))
    known = "placed.lens-file" if setup.camera_file is not None else "placed.lens-found"
    focal = float(np.median(ties.lenses[:, 0]))
    notes.append(note(known, focal=pixels(focal), u=share(modes.u_focal)))
    if modes.u_focal > _POOR_FOCAL:
        notes.append(note("placed.lens-poor"))
    if modes.alike > _ERR_ALIKE * ALIKE:
        notes.append(note("placed.err-alike", times=share(modes.alike / ALIKE)))
    notes.extend(axes.notes)
    return (*notes, note("placed.plumb-unknown"))

"""The wall of swept lines: its size and its corner are the set-up's, only its own plane is found."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from flatscan.core.errors import TooFewPoints
from flatscan.core.geometry import fit_plane_robust, plumb_frame
from flatscan.core.holes import Plumb
from flatscan.core.model import Cloud, SweptWall, Wall
from flatscan.core.notes import note
from flatscan.wall.adjust import check_taped, scale_notes
from flatscan.wall.find import Room

_LEAST, _MOST = 100, 50_000
# points further off are none of the wall's surface [m]
_SLAB = 0.05


def known_wall(cloud: Cloud, swept: SweptWall, *, width: float | None = None, height: float | None = None) -> Room:
    """The one wall of swept lines, from its set-up's corner: what no line fell on is wall that was not measured.

    Its foot and its turn are those of the plane through the points. ``width``, ``height`` [m] are taped again, to check
    it with. Raises `TooFewPoints` where next to nothing was measured, and `BadValue` for sizes that no wall has.
    """
    check_taped(width, height)
    x, y, z = cloud.sample[:: max(1, len(cloud.sample) // _MOST)].T
    if len(x) < _LEAST:
        raise TooFewPoints(
            cloud.origin.file,
            "{points} points on the wall",
            needed="at least {least}",
            remedy="Sweep the line over all of the wall",
            points=len(x),
            least=_LEAST,
        )
    (foot, turn, _), _ = fit_plane_robust(x, y, z)
    size = np.array([[0.0, 0.0], [swept.width, 0.0], [swept.width, swept.height], [0.0, swept.height]])
    wall = Wall(
        number=1,
        frame=plumb_frame(np.array([0.0, 0.0, foot]) - cloud.shift, np.array([-turn, 0.0, 1.0]), np.array([0, 1.0, 0])),
        outline=size,
        openings=(),
        share=1.0,
        up_from=note("sweep.up"),
        facing_from=note("sweep.camera-side"),
        plumb=Plumb(note("sweep.up"), swept.u_lean),
        slab=_SLAB,
    )
    return Room((replace(wall, notes=tuple(scale_notes(wall, width, height))),))

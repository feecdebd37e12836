"""A wall measured in photos: what all its heights share of the cameras' error, and what it looks like straight on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from flatscan.core.notes import Note

if TYPE_CHECKING:
    from flatscan.core.geometry import Array


@dataclass(frozen=True, eq=False)
class FlatPicture:
    """A wall seen straight on: red, green, blue (rows, cols, 3) in pixels of ``step`` [m], row 0 the lowest.

    ``left``, ``bottom`` [m] are its lower left corner; ``seen`` (rows, cols) is where any photo shows the wall.
    """

    left: float
    bottom: float
    step: float
    colours: NDArray[np.uint8]
    seen: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Photographed:
    """How photos measured a wall, in their own axes: x along, y up, z toward the room [m].

    ``modes`` (m, rows, cols) [m] is what heights at ``x`` (cols,), ``y`` (rows,) [m], evenly apart, change by with each
    independent doubt of the cameras, one standard deviation of it; ``rest`` [m] is a slow error beyond them.
    ``scatter`` [m] is what single points are off by at least, ``scale`` the relative u of lengths, None where not
    known, ``source`` how the doubts are known. ``picture`` is the wall straight on, None where nobody asked for it.
    ``name``, ``width`` and ``height`` [m] of the wall stand beside the photos, ``sized_by`` is the side of it (width or
    height) that told all lengths.
    """

    x: Array
    y: Array
    modes: Array
    rest: float
    scatter: float
    scale: float | None
    source: Note
    picture: FlatPicture | None = None
    name: str = ""
    width: float | None = None
    height: float | None = None
    sized_by: str = ""

    def made_longer(self, factor: float) -> Photographed:
        """The same with all lengths ``factor`` times as long."""
        shown = self.picture
        if shown is not None:
            left, bottom, step = (one * factor for one in (shown.left, shown.bottom, shown.step))
            shown = replace(shown, left=left, bottom=bottom, step=step)
        return replace(
            self,
            x=self.x * factor,
            y=self.y * factor,
            modes=self.modes * factor,
            rest=self.rest * factor,
            scatter=self.scatter * factor,
            picture=shown,
        )

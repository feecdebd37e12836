"""How many of a capture's points are measurements of their own, and where some of them stand all together."""

from __future__ import annotations

from dataclasses import dataclass

from flatscan.core.geometry import Array

# where points share more of their variance than this, their own scatter no longer tells how sure they are
MOST_SHARED = 0.5


@dataclass(frozen=True, slots=True)
class Independence:
    """Points that repeat each other: ``density`` a m2 there are, ``independent`` a m2 measurements they stand for.

    ``kind`` is how they show it: ``copies`` (points beside each other with one and the same error), ``between``
    (points laid exactly between others), ``smooth`` (neighbours that agree better than any sensor does) or ``drawn``
    (points on a mesh or a fused depth map). ``scatter`` [m] is that of single points about the wall's form.
    """

    kind: str
    density: float
    independent: float
    scatter: float

    @property
    def share(self) -> float:
        """How many measurements each point stands for."""
        return self.independent / self.density

    @property
    def shared(self) -> float:
        """Share of the variance of a cell's mean that its points have in common (methods/uncertainty 3)."""
        return 1 - self.share

    @property
    def undecided(self) -> bool:
        """Whether they share so much that nothing is decided by them."""
        return self.shared > MOST_SHARED


@dataclass(frozen=True, eq=False, slots=True)
class Patches:
    """All points ``at`` (n, 3) over some small squares of a wall, in its coordinates [m], sorted by square.

    ``edges`` (m + 1,) are where each square begins in it, ``side`` [m] is how wide they are, ``step`` [m] the file's
    own rounding across the wall, ``raster`` [m] that along it.
    """

    at: Array
    edges: tuple[int, ...]
    side: float
    step: float
    raster: float

    def each(self) -> list[Array]:
        """The points of each square (k, 3)."""
        return [self.at[a:b] for a, b in zip(self.edges, self.edges[1:], strict=False)]

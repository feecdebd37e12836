"""The common error of a wall measured in photos: what doubts of the cameras do to all its heights at once.

Each doubt that the adjustment of the cameras leaves bends the whole wall in a form of its own, which is known: doming
by the lens, twists by single photos. Their covariance is the sum of the forms' squares, whatever their shape
(methods/uncertainty 16).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.model import Wall
from flatscan.core.photographed import Photographed
from flatscan.core.warp import CommonError, by_triples
from flatscan.relief.everywhere import between, largest_anywhere, largest_on_lattice, lattice_of, spread_over

# what is left beyond the doubts looked at waves over so many metres [setting]
_REST_LENGTH = 0.5
# forms are known at places so far apart [m]
_APART = 0.05
# lengths [m] of a Gaussian warp among which the one is that bends as much over 2 m
_LENGTHS = np.geomspace(0.25, 16.0, 61)
_HALF_CHORD = np.array(1.0)
# cosine of the angle between a wall and the plane that photos were laid on
_FACED = 0.9


@dataclass(frozen=True, slots=True, eq=False)
class BundleError(CommonError):
    """An error that is a sum of known forms, each as large as a normal deviate says, and a small warp beyond them.

    ``forms`` (m, rows, cols) [m] are the forms one standard deviation large, less their planes, at places `_APART` from
    ``box``'s lower left on; ``box`` (4,) is the wall's left, bottom, right and top [m]; ``rest`` is the warp beyond.
    ``sd`` is the root mean square of all over the wall, ``length`` that of a Gaussian warp that bends as much over 2 m.
    """

    forms: Array = field(default_factory=lambda: np.zeros((0, 2, 2)))
    box: Array = field(default_factory=lambda: np.zeros(4))
    rest: CommonError = field(default_factory=lambda: CommonError(0.0))
    # the largest u on lattices of places, by their box and rule: bounds and report ask for the same one
    _largest: dict[tuple[float, ...], Array] = field(default_factory=dict, init=False, repr=False)

    @property
    def stationary(self) -> bool:
        """False: each form has its place on the wall."""
        return False

    def parts(self, at: Array) -> Array:
        """Every form (m, n) [m] at places ``at`` (n, 2) [m], straight between those where it is known."""
        at = np.asarray(at, float).reshape(-1, 2)
        cells, share = [], []
        for axis, many in ((1, self.forms.shape[1]), (0, self.forms.shape[2])):
            step = np.clip((at[:, axis] - self.box[axis]) / _APART, 0.0, many - 1.0)
            low = np.minimum(step.astype(np.intp), max(many - 2, 0))
            cells.append(low)
            share.append(step - low)
        (row, col), (up, along) = cells, share
        above, right = np.minimum(row + 1, self.forms.shape[1] - 1), np.minimum(col + 1, self.forms.shape[2] - 1)
        low_ = (1 - along) * self.forms[:, row, col] + along * self.forms[:, row, right]
        high = (1 - along) * self.forms[:, above, col] + along * self.forms[:, above, right]
        return np.asarray((1 - up) * low_ + up * high)

    def covariance(self, a: Array, b: Array) -> Array:
        """Covariance [m2] (m, n) of the errors at places ``a`` (m, 2) and ``b`` (n, 2) [m]."""
        return np.asarray(self.parts(a).T @ self.parts(b) + self.rest.covariance(a, b))

    def u_gap_at(self, left: Array, at: Array, right: Array) -> Array:
        """Standard uncertainty (...) [m] of gaps at ``at`` between contacts ``left`` and ``right``, each (..., 2)."""
        return by_triples(self._u_gaps, left, at, right)

    def _u_gaps(self, left: Array, at: Array, right: Array) -> Array:
        near, far = (np.hypot(*(one - other).T) for one, other in ((at, left), (right, at)))
        share = far / np.maximum(near + far, 1e-12)
        gap = share * self.parts(left) + (1 - share) * self.parts(right) - self.parts(at)
        return np.asarray(np.sqrt((gap**2).sum(axis=0) + self.rest.u_gap(near, far) ** 2))

    def u_gap(self, left: Array, right: Array) -> Array:
        """Largest standard uncertainty anywhere on the wall of a gap so many metres from its contacts."""
        return largest_anywhere(self.box, left, right, self.u_gap_at)

    def largest_u_gap(self, x: Array, y: Array, rule: float) -> Array:
        """Largest standard uncertainty (rows, cols) [m] of any gap at each cell, contacts within ``rule`` [m]."""
        box = np.array([x[0], y[0], x[-1], y[-1]])
        lattice, key = lattice_of(box, rule), (*box, rule)
        if key not in self._largest:
            places = np.column_stack([one.ravel() for one in np.meshgrid(*lattice)])
            self._largest[key] = largest_on_lattice(self.covariance(places, places), lattice, rule)
        return between(self._largest[key], lattice, x, y)


def bundle_error(seen: Photographed, wall: Wall, shift: Array, declared: CommonError) -> CommonError:
    """The error of a wall that photos measured, ``shift`` (3,) [m] being taken off their coordinates.

    A plane in a form turns the wall and has no part in gaps: it is how well plumb and offset are known. Of a wall that
    is not the one the photos face the doubts say nothing: it has the ``declared`` error.
    """
    frame, whole = wall.frame, wall.whole
    if frame.out[2] < _FACED:
        return declared
    box = np.concatenate([whole.min(axis=0), whole.max(axis=0)])
    x, y = (np.arange(box[k], box[k + 2] + _APART, _APART) for k in (0, 1))
    at = np.column_stack([*(one.ravel() for one in np.meshgrid(x, y)), np.zeros(len(x) * len(y))])
    places = frame.to_file(at) + shift
    forms = np.array([_on_lattice(seen, form, places) for form in seen.modes]).reshape(-1, len(y), len(x))
    inside = (at[:, 0] <= box[2] + 1e-9) & (at[:, 1] <= box[3] + 1e-9)
    terms = np.column_stack([np.ones(len(at)), at[:, :2]])
    flat = forms.reshape(len(forms), len(at)).T
    planes = np.linalg.lstsq(terms[inside], flat[inside], rcond=None)[0]
    bent = (flat - terms @ planes).T.reshape(forms.shape)
    rest = CommonError(seen.rest, _REST_LENGTH)
    u_offset = float(np.sqrt((flat[inside].mean(axis=0) ** 2).sum() + seen.rest**2))
    scale = seen.scale or 0.0
    return _summed_up(BundleError(0.0, 1.0, u_offset, scale, seen.source, forms=bent, box=box, rest=rest))


def _on_lattice(seen: Photographed, form: Array, places: Array) -> Array:
    """A form (n,) [m] at places (n, 3) in the photos' own axes: the nearest that is known beyond its edges."""
    from scipy.ndimage import map_coordinates

    col, row = (
        (places[:, k] - known[0]) / (known[1] - known[0]) if len(known) > 1 else np.zeros(len(places))
        for k, known in ((0, seen.x), (1, seen.y))
    )
    return np.asarray(map_coordinates(form, [row, col], order=1, mode="nearest"))


def _summed_up(error: BundleError) -> BundleError:
    """The same with the one size and the one length that stand for all of it where a number is asked for."""
    across, upward = np.meshgrid(*spread_over(error.box))
    places = np.column_stack([across.ravel(), upward.ravel()])
    size = float(np.sqrt((error.parts(places) ** 2).sum(axis=0).mean() + error.rest.sd**2))
    if size == 0:
        return error
    chord = float(error.u_gap(_HALF_CHORD, _HALF_CHORD)) / size
    over = np.array([float(CommonError(1.0, length).u_gap(_HALF_CHORD, _HALF_CHORD)) for length in _LENGTHS])
    return replace(error, sd=size, length=float(_LENGTHS[np.abs(over - chord).argmin()]))

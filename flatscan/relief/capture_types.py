"""What each kind of capture can know: the common part of its error, from METHODS 1b (engineering estimates)."""

from __future__ import annotations

from dataclasses import dataclass

from flatscan.core.errors import BadValue
from flatscan.core.model import PHONE_GRAVITY, CommonError

# A Gaussian warp of sd s and length 1 m puts 0.596 s on the middle of a 2 m chord (METHODS 3c).
_CHORD_SHARE = 0.596


@dataclass(frozen=True, slots=True)
class CaptureType:
    """Common errors of one kind of capture (k = 1).

    ``chord`` [m] is the error of the middle of a 2 m chord, ``lean`` [m per m] that of the vertical,
    ``scale`` the relative error of lengths, ``grounds`` where the numbers come from.
    """

    name: str
    chord: float
    lean: float
    scale: float
    grounds: str

    def common_error(self) -> CommonError:
        """The warp this capture type carries; the wall's mean position is as uncertain as its chord."""
        return CommonError(
            sd=self.chord / _CHORD_SHARE, length=1.0, u_offset=self.chord, scale=self.scale, source=self.name
        )


# A cross-line laser levels to
# 0.3 mm per m (METHODS 1a, printed in a manual): as the limits of a rectangular spread, 0.17 mm per m. The scale of a
# phone capture is off by up to 1 % (METHODS 1a, repeated room captures).
_PHONE_LEAN, _LASER_LEAN = PHONE_GRAVITY, 0.17e-3
TYPES = {
    kind.name: kind
    for kind in (
        CaptureType("phone-walk", 5.0e-3, _PHONE_LEAN, 0.01, "METHODS 1b, walking phone scan"),
        CaptureType("phone-static", 1.5e-3, _PHONE_LEAN, 0.01, "METHODS 1b, phone held still"),
        CaptureType("photogrammetry", 4.0e-3, _PHONE_LEAN, 0.01, "METHODS 1b, self-calibrated (doming)"),
        CaptureType("depth-photo", 1.5e-3, _PHONE_LEAN, 0.01, "as phone-static: one pose"),
        CaptureType("laser-readings", 0.3e-3, _LASER_LEAN, 0.0, "METHODS 1b, straightness of the fan"),
        CaptureType("laser-line", 0.4e-3, _LASER_LEAN, 0.005, "METHODS 1b, laser-line photo"),
        CaptureType("scanner", 0.4e-3, 0.1e-3, 0.001, "METHODS 1b, one station within 10 m"),
    )
}


def capture_type(name: str) -> CaptureType:
    """The capture type of that name; an unknown one raises `BadValue`."""
    if name not in TYPES:
        raise BadValue(
            "capture type",
            "'{name}' is not known",
            needed="one of {types}",
            remedy="Choose one of these",
            name=name,
            types=tuple(TYPES),
        )
    return TYPES[name]

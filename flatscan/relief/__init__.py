"""Wall and capture to `Relief`, the grid of offsets with their uncertainty."""

from flatscan.relief.bundle_error import bundle_error
from flatscan.relief.common_errors import TYPES, CaptureType, RepeatResult, capture_type, combine
from flatscan.relief.grid import grid
from flatscan.relief.laser_stations import from_stations, stations_on, wall_of
from flatscan.relief.overlaps import Mosaic, lie_together, with_seams
from flatscan.relief.own_errors import OneCapture, refuse_copies
from flatscan.relief.smooth import choose_window, smooth, with_heights
from flatscan.relief.standing import Choices, Plate, with_standing_of
from flatscan.relief.tie import Tie, tie

__all__ = [
    "TYPES",
    "CaptureType",
    "Choices",
    "Plate",
    "Mosaic",
    "OneCapture",
    "RepeatResult",
    "Tie",
    "bundle_error",
    "combine",
    "capture_type",
    "choose_window",
    "from_stations",
    "grid",
    "lie_together",
    "refuse_copies",
    "smooth",
    "stations_on",
    "tie",
    "wall_of",
    "with_heights",
    "with_seams",
    "with_standing_of",
]

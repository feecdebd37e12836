"""Wall and capture to `Relief`, the grid of offsets with their uncertainty."""

from flatscan.relief.capture_types import TYPES, CaptureType, capture_type
from flatscan.relief.grid import grid
from flatscan.relief.laser_stations import from_stations
from flatscan.relief.repeated import RepeatResult, combine
from flatscan.relief.smooth import choose_window, smooth
from flatscan.relief.tie import Tie, tie

__all__ = [
    "TYPES",
    "CaptureType",
    "RepeatResult",
    "Tie",
    "combine",
    "capture_type",
    "choose_window",
    "from_stations",
    "grid",
    "smooth",
    "tie",
]

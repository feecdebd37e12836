"""From a capture to its walls: planes, up, room side, outline and openings."""

from flatscan.wall.adjust import adjust
from flatscan.wall.find import Corner, Room, find_walls

__all__ = ["Corner", "Room", "adjust", "find_walls"]

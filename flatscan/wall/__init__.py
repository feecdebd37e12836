"""From a capture to its walls: planes, up, room side, outline and openings."""

from flatscan.wall.adjust import adjust
from flatscan.wall.find import find_walls
from flatscan.wall.room import Corner, Room

__all__ = ["Corner", "Room", "adjust", "find_walls"]

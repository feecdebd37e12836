"""From a capture to its walls: planes, up, room side, outline and openings."""

from flatscan.wall.adjust import adjust
from flatscan.wall.find import Corner, Room, find_walls
from flatscan.wall.known import known_wall
from flatscan.wall.nearest import nearest_surface, points_near

__all__ = ["Corner", "Room", "adjust", "find_walls", "known_wall", "nearest_surface", "points_near"]

"""Pictures of a laser line that falls on a wall at a slant: how far the wall stands proud along it."""

"""Wall and capture to `Relief`, the grid of offsets with their uncertainty."""

"""The reliefs that sweeps and verdicts are tried on are built in one place."""

from relief_builders import grid_relief, station_relief

__all__ = ["grid_relief", "station_relief"]

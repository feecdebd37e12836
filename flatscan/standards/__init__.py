"""Published tolerances, one TOML a document edition."""

from flatscan.standards.tolerances import Tolerance, available, load, matching, parse

__all__ = ["Tolerance", "available", "load", "matching", "parse"]

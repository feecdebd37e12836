"""Published tolerances, one TOML a document edition."""

from flatscan.standards.catalogue import available, load, matching, parse
from flatscan.standards.tolerances import Tolerance

__all__ = ["Tolerance", "available", "load", "matching", "parse"]

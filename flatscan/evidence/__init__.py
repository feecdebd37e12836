"""A sealed file another party can open with any zip program, check byte by byte, and run again.

Sealed means unchanged since sealing. Origin and wall are not proven, nor the date unless a verified time stamp says so.
The layout is in `archive`.
"""

from flatscan.evidence.contents import Job, Overlay, Photo, Statement
from flatscan.evidence.rechecking import recheck
from flatscan.evidence.seal import seal
from flatscan.evidence.signing import Key, load_key
from flatscan.report.rechecked import Rechecked

__all__ = ["Job", "Key", "Overlay", "Photo", "Rechecked", "Statement", "load_key", "recheck", "seal"]

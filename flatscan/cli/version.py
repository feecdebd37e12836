"""``flatscan --version``: this program and what it computes with."""

from __future__ import annotations

import platform
from importlib import metadata

from flatscan import __version__

# in the order of how much of a result depends on them; names as the package index knows them
COMPUTES_WITH = (
    "numpy", "scipy", "numba", "open3d", "opencv-python", "matplotlib", "laspy", "lazrs", "pye57", "ezdxf",
    "distributed",
)  # fmt: skip


def text() -> str:
    """Lines with the version of flatscan, of Python and the machine, and of every library that numbers come from."""
    lines = [f"flatscan {__version__}", f"Python {platform.python_version()} on {platform.platform()}"]
    return "\n".join(lines + [f"{name} {_version(name)}" for name in COMPUTES_WITH])


def _version(name: str) -> str:
    # asks the installer's records instead of importing: open3d alone would take a second
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return "not installed"

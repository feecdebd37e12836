"""One file written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from flatscan.core.errors import OutputError


def write_file(path: str | Path, content: bytes, *, overwrite: bool = False) -> Path:
    """Write ``content`` beside ``path`` and rename it; raises `OutputError` where it stands there or cannot be."""
    path = Path(path)
    if path.exists() and not overwrite:
        raise OutputError(
            path, "it exists already", needed="a new name", remedy="Choose another name or give --overwrite"
        )
    try:
        handle, beside = tempfile.mkstemp(prefix=".flatscan-", dir=path.parent)
    except OSError as reason:
        raise _cannot(path, reason) from None
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        # mkstemp keeps others out; a sheet is for others
        umask = os.umask(0)
        os.umask(umask)
        Path(beside).chmod(0o666 & ~umask)
        Path(beside).replace(path)
    except OSError as reason:
        Path(beside).unlink(missing_ok=True)
        raise _cannot(path, reason) from None
    return path


def _cannot(path: Path, reason: OSError) -> OutputError:
    return OutputError(
        path, f"it cannot be written ({reason.strerror})", needed="a folder that can be written to",
        remedy="Choose another place",
    )  # fmt: skip

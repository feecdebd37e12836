"""The hash of a file, worked out beside the reading."""

from __future__ import annotations

import hashlib
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path


def sha256(path: Path) -> str:
    """SHA-256 of the file's bytes in hex (FIPS 180-4), streamed; an unreadable file raises `OSError`."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def sha256_beside(pool: ThreadPoolExecutor, path: Path) -> Future[str]:
    """The same, started in a thread: hashing gives up the interpreter lock, so reading goes on meanwhile."""
    return pool.submit(sha256, path)

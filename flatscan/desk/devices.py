"""Which devices are let in: paired once, known after every restart, each put out on its own."""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import threading
import time
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from flatscan.core.errors import ReadError, unwritten
from flatscan.core.records import from_plain, to_plain

NAME = "devices.json"
SCHEMA = 1
# how long a code for one more device may lie on the screen [s], and how many may lie about at once
CODE_LASTS = 600.0
_MOST_CODES, _MOST_NAME, _MOST_DEVICES = 20, 40, 200


@dataclass(frozen=True, slots=True)
class Device:
    """One browser that was let in: its name in its user's words, the day, and the hash of its secret."""

    mark: str
    name: str
    added: str
    digest: str


@dataclass(frozen=True, slots=True)
class _Kept:
    """What lies beside the walls: a mark of this desk, the port it had last, and its devices."""

    schema: int = SCHEMA
    desk: str = ""
    port: int | None = None
    devices: tuple[Device, ...] = ()


class Devices:
    """The devices of one folder of walls; secrets are kept as hashes only, in a file nobody else may read."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / NAME
        self._lock = threading.Lock()
        self._codes: dict[str, float] = {}
        self._kept = self._load()

    @property
    def cookie(self) -> str:
        """The cookie's name: browsers share cookies between the ports of a host, so it is the desk's own."""
        return f"flatscan-{self._kept.desk}"

    @property
    def port(self) -> int | None:
        """The port that the page had last: what a phone keeps is kept by address and port."""
        return self._kept.port

    def had_port(self, port: int) -> None:
        """Remember the port for the next start."""
        with self._lock:
            self._write(replace(self._kept, port=port))

    def all(self) -> tuple[Device, ...]:
        """Every device that is let in, in the order in which they came."""
        return self._kept.devices

    def known(self, cookie: str) -> Device | None:
        """The device whose cookie this is, None where it is none's."""
        mark, _, secret = cookie.partition(".")
        digest = _digest(secret)
        found = (one for one in self._kept.devices if one.mark == mark)
        return next((one for one in found if secrets.compare_digest(one.digest, digest)), None)

    def let_in(self, name: str) -> str:
        """One more device; returns the cookie that it is known by from now on."""
        mark, secret = secrets.token_hex(6), secrets.token_urlsafe(32)
        shown = " ".join("".join(sign for sign in name if sign.isprintable()).split())[:_MOST_NAME] or "a device"
        device = Device(mark, shown, datetime.now(UTC).date().isoformat(), _digest(secret))
        with self._lock:
            # the oldest goes where a program that never keeps its cookie was let in again and again
            self._write(replace(self._kept, devices=(*self._kept.devices, device)[-_MOST_DEVICES:]))
        return f"{mark}.{secret}"

    def put_out(self, mark: str) -> None:
        """A device is let in no more."""
        with self._lock:
            left = tuple(one for one in self._kept.devices if one.mark != mark)
            self._write(replace(self._kept, devices=left))

    def new_code(self) -> str:
        """A code that lets one device in, once, for as long as `CODE_LASTS`."""
        code, now = secrets.token_urlsafe(16), time.monotonic()
        with self._lock:
            live = [(old, until) for old, until in self._codes.items() if until > now]
            self._codes = {**dict(live[1 - _MOST_CODES :]), code: now + CODE_LASTS}
        return code

    def is_code(self, code: str) -> bool:
        """Whether a code would let a device in now."""
        return self._codes.get(code, 0.0) > time.monotonic()

    def use(self, code: str) -> bool:
        """Whether a code lets a device in; it does so once."""
        with self._lock:
            return self._codes.pop(code, 0.0) > time.monotonic()

    def _load(self) -> _Kept:
        if not self._path.exists():
            return _Kept(desk=secrets.token_hex(4))
        try:
            kept = from_plain(_Kept, json.loads(self._path.read_bytes()))
            if kept.schema != SCHEMA or not kept.desk:
                raise ValueError("another schema")
        except (OSError, ValueError, RecursionError) as reason:
            raise ReadError(
                self._path,
                "it cannot be read ({reason})",
                needed="the devices as this page writes them",
                remedy="Remove the file: every phone is let in anew by its code, and no wall is lost",
                reason=str(reason),
            ) from None
        return kept

    def _write(self, kept: _Kept) -> None:
        self._kept = kept
        text = json.dumps(to_plain(kept), ensure_ascii=False, indent=1, sort_keys=True) + "\n"
        keep_secret(self._path, text.encode())


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def keep_secret(path: Path, content: bytes) -> None:
    """Write a file that only its owner may read, whole or not at all; raises `OutputError`."""
    beside = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        beside.replace(path)
    except OSError as reason:
        beside.unlink(missing_ok=True)
        raise unwritten(
            path, reason, "Make room, or start again with another folder: {run:desk --folder ...}"
        ) from None

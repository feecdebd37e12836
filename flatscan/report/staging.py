"""Several files put into a folder in one step: all of the new ones, or all that stood there before.

New files are made in a hidden folder inside, ``.flatscan-sheets-XXXX``. What they replace is moved aside into it, then
they are moved out of it; a list of these moves is written first and renamed when they are done, the one instant at
which old becomes new. Whoever finds such a list whose owner is dead moves everything back.
"""

from __future__ import annotations

import json
import os
import platform
import shutil
import signal
import tempfile
import threading
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any

from flatscan.report.locking import locked

PREFIX, LOCK = ".flatscan-sheets-", ".flatscan.lock"
_OWNER, _MOVES, _DONE, _NEW, _OLD = "owner.json", "moves.json", "done.json", "new", "old"
# how long a run waits for another one that moves its files in the same folder [s]
PATIENCE = 10.0
_at_work: set[Path] = set()


@contextmanager
def standing(folder: Path) -> Iterator[None]:
    """Make a folder and those above it; those made here go again where nothing was put into them."""
    missing = [place for place in (folder, *folder.parents) if not place.exists()]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        yield
    finally:
        for place in missing:
            with suppress(OSError):
                place.rmdir()


@contextmanager
def alone_in(folder: Path) -> Iterator[None]:
    """The folder for oneself for a moment, cleared of what runs that died left in it.

    Raises `OutputError` where another run keeps it for over `PATIENCE` seconds, `OSError` where it cannot be written.
    """
    with locked(folder / LOCK, PATIENCE):
        _sweep(folder)
        yield


def settle(folder: Path) -> None:
    """Let what is read in a folder be one whole set: move back what a run that died had begun, wait for one at it.

    Nothing where nobody left anything. Raises as `alone_in` does.
    """
    if os.path.lexists(folder / LOCK) or next(folder.glob(f"{PREFIX}*"), None) is not None:
        with alone_in(folder):
            pass


@contextmanager
def room_in(folder: Path) -> Iterator[Path]:
    """A hidden place in a folder for what is being made there; it goes again, with whatever is left in it.

    Where its owner is killed the next run in the folder clears it away. Raises as `alone_in` does.
    """
    with ExitStack() as stack:
        with alone_in(folder):
            stage = stack.enter_context(Staging(folder))
        yield stage.new


class Staging:
    """Room beside the files of a folder: ``new`` is where new ones are made, `swap` puts them in place.

    Both to be entered and to be swapped while one is `alone_in` the folder.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __enter__(self) -> Staging:
        self._room: Path | None = None
        try:
            with _stops_wait():
                self._room = Path(tempfile.mkdtemp(prefix=PREFIX, dir=self.folder))
                _at_work.add(self._room.absolute())
                (self._room / _OWNER).write_text(json.dumps(_me()), encoding="utf-8")
                self.new.mkdir()
                (self._room / _OLD).mkdir()
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        try:
            self._leave()
        except KeyboardInterrupt:
            # it comes once: what it broke off is done all the same
            self._leave()
            raise

    def _leave(self) -> None:
        if self._room is None:
            return
        _at_work.discard(self._room.absolute())
        # where moving back failed too, the next run does it
        if not (self._room / _MOVES).exists():
            _clear(self._room)

    @property
    def new(self) -> Path:
        """Where new files are made."""
        return self._place / _NEW

    @property
    def _place(self) -> Path:
        assert self._room is not None
        return self._room

    def swap(self, come: Sequence[str], go: Sequence[str]) -> None:
        """Move the files ``go`` out of the folder and the new ones ``come`` into it; a failure moves all of it back.

        Ctrl-C, SIGTERM and SIGHUP wait until it is done.
        """
        stamps = {name: _stamp(self.new / name) for name in come}
        with _stops_wait():
            try:
                _write(self._place / _MOVES, {"come": stamps, "go": list(go)})
                for name in go:
                    _rename(self.folder / name, self._place / _OLD / name)
                for name in come:
                    _rename(self.new / name, self.folder / name)
                _rename(self._place / _MOVES, self._place / _DONE)
            except BaseException:
                _move_back(self._place, self.folder)
                raise


def _sweep(folder: Path) -> None:
    """Clear away what runs that died left in a folder, moving back what they had begun."""
    for room in sorted(folder.glob(f"{PREFIX}*")):
        if room.is_symlink() or not room.is_dir() or not _is_left(room):
            continue
        # what cannot be moved back now stays for the next run
        with suppress(OSError):
            _move_back(room, folder)
            _clear(room)


def _clear(room: Path) -> None:
    """Remove a room, the name of its owner last: without it nobody else knows whose the rest is."""
    for name in (_NEW, _OLD):
        shutil.rmtree(room / name, ignore_errors=True)
    shutil.rmtree(room, ignore_errors=True)


def _move_back(room: Path, folder: Path) -> None:
    """Make the folder what it was before a swap that ended anywhere; nothing where it had not begun or was done."""
    try:
        moves = json.loads((room / _MOVES).read_bytes())
        come, go = (
            {_plain(name): stamp for name, stamp in moves["come"].items()},
            [_plain(name) for name in moves["go"]],
        )
    except FileNotFoundError:
        return
    except (ValueError, LookupError, TypeError, AttributeError):
        # none of ours: nothing is moved by it
        (room / _MOVES).unlink()
        return
    for name, stamp in come.items():
        # somebody may have saved another one there since
        if not (room / _NEW / name).exists() and _stamp(folder / name) == stamp:
            _rename(folder / name, room / _NEW / name)
    for name in go:
        if os.path.lexists(room / _OLD / name) and not os.path.lexists(folder / name):
            _rename(room / _OLD / name, folder / name)
    (room / _MOVES).unlink()


def _rename(old: Path, new: Path) -> None:
    old.replace(new)


def _plain(name: str) -> str:
    if not is_plain(name):
        raise ValueError(name)
    return name


def is_plain(name: str) -> bool:
    """Whether a name stays in the folder it is put into."""
    return name not in ("", ".", "..") and not set(name) & set("/\\\0")


def _stamp(path: Path) -> list[int] | None:
    """What tells a file from another that was saved in its place."""
    try:
        known = path.lstat()
    except OSError:
        return None
    return [known.st_size, known.st_mtime_ns]


def _write(path: Path, record: dict[str, Any]) -> None:
    part = path.with_suffix(".part")
    part.write_text(json.dumps(record), encoding="utf-8")
    part.replace(path)


@contextmanager
def _stops_wait() -> Iterator[None]:
    """Let Ctrl-C, and being asked to end, wait for the end of the block; only the main thread hears of them."""
    numbers = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    before = {
        number: signal.signal(number, lambda one, _: came.append(one))
        for number in numbers
        # None: set by another language, which could not be set again
        if signal.getsignal(number) not in (None, signal.SIG_IGN)
    }
    try:
        yield
    finally:
        try:
            _hear(before)
        except KeyboardInterrupt:
            _hear(before)
            raise
        if came:
            signal.raise_signal(came[0])


def _hear(handlers: dict[int, Any]) -> None:
    for number, handler in handlers.items():
        signal.signal(number, handler)


def _me() -> dict[str, Any]:
    return {"pid": os.getpid(), "started": _started(os.getpid()), "host": platform.node()}


def _started(pid: int) -> str:
    """When a process began, as a word that no other one of its number has; empty where the system does not tell."""
    try:
        boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
        # the 22nd field; the second is a name that may hold spaces and brackets (proc(5))
        return f"{boot} {Path(f'/proc/{pid}/stat').read_text().rpartition(')')[2].split()[19]}"
    except (OSError, IndexError):
        return ""


def _is_left(room: Path) -> bool:
    """Whether nobody works in it any more."""
    try:
        owner = json.loads((room / _OWNER).read_bytes())
        pid, started, host = int(owner["pid"]), str(owner["started"]), str(owner["host"])
    except (OSError, ValueError, LookupError, TypeError):
        # the name is written while its owner is alone in the folder, and removed last
        return True
    if host != platform.node():
        return False
    if pid == os.getpid() and started == _started(pid):
        return room.absolute() not in _at_work
    return not _is_alive(pid) or (started != "" and started != _started(pid))


def _is_alive(pid: int) -> bool:
    if os.name == "nt":
        # no signal asks there without stopping
        return True
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True

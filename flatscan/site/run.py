"""A site from beginning to end: look at every capture, do every wall once, keep what is done, sum up."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Protocol

from flatscan.capture import sha256_of
from flatscan.core.errors import FlatscanError
from flatscan.site import summary
from flatscan.site.job import Capture, Task, keyed
from flatscan.site.left_open import ANSWERS, PICTURES, Answer, Question, questions
from flatscan.site.store import Record, Store, locked
from flatscan.site.work import Outcome, room_of

_READ = 1 << 22
# a wall costs so many bytes' worth of reading whatever its size; only the time left is told from it
_WALL_WEIGHT = 4e6


class Pool(Protocol):
    """Where tasks are worked on: `LocalPool` or `ClusterPool`."""

    def submit(self, task: Task) -> None:
        """Queue a task."""

    def next(self) -> tuple[Task, Outcome]:
        """Wait for the outcome of one of the queued tasks."""

    def close(self) -> None:
        """Stop all tasks."""


Watch = Callable[[int, int, float, Record | None], None]


def unwatched(_done: int, _known: int, _share: float, _record: Record | None) -> None:
    """A `Watch` that tells nobody."""


@dataclass
class Run:
    """What came of a site: its records in the order of the captures, how many were done before, the files written.

    ``summary`` holds what `report.site_report` says in anybody's units, ``document`` is as in site.json.
    """

    summary: dict[str, Any]
    document: dict[str, Any]
    records: list[Record]
    reused: int
    files: tuple[Path, ...] = ()


@dataclass
class _State:
    """How far a run is."""

    store: Store
    pool: Pool
    watch: Watch
    scratch: str | None
    queued: int = 0
    done: int = 0
    known: int = 0
    weight_done: float = 0.0
    weight_known: float = 0.0
    reused: int = 0
    records: dict[tuple[str, str], Record] = field(default_factory=dict)


def run(
    captures: Sequence[Capture],
    folder: Path,
    make_pool: Callable[[], Pool],
    *,
    site: str = "",
    units: str = "mm",
    afresh: bool = False,
    shared_scratch: bool = True,
    watch: Watch = unwatched,
    answers: Sequence[Answer] = (),
) -> Run:
    """Do every wall of every capture that has not been done before, and write the summary into ``folder``.

    Results of an earlier run are kept where file and settings are the same, unless ``afresh``. ``watch`` is told how
    many tasks are done and known, the share of the work, and each record. ``answers`` are those that the captures'
    settings hold already; what is still open is written beside them for the next run. Raises `OutputError` where the
    folder is in use, read-only or full; what was finished until then stays and is not done again.
    """
    store = Store(folder)
    with locked(store.own):
        store.sweep()
        if afresh:
            store.forget()
        hashes = _hashes(captures)
        state = _State(store, make_pool(), watch, str(store.scratch.resolve()) if shared_scratch else None)
        try:
            pairs = sorted(zip(captures, hashes, strict=True), key=_largest_first)
            _begin_all(state, [_first_task(capture, sha256, store.parts) for capture, sha256 in pairs])
            while state.queued:
                task, outcome = state.pool.next()
                _take(state, task, outcome)
        finally:
            state.pool.close()
            shutil.rmtree(store.scratch, ignore_errors=True)
        store.scratch.mkdir(exist_ok=True)
        records = _in_order(captures, state.records)
        asked = questions(captures, records, answers)
        kept = store.keep_only({record["slug"] for record in records}, {capture.slug for capture in captures})
        summed = summary.summed_up(records, site=site, questions=asked, kept=kept)
        store.show(PICTURES, _pictures(asked))
        files = tuple(store.write(name, data) for name, data in summary.files(summed, units).items())
        if not asked:
            store.remove(ANSWERS)
        shutil.rmtree(store.parts, ignore_errors=True)
        shutil.rmtree(store.scratch, ignore_errors=True)
    return Run(summed, summary.document(summed), records, state.reused, files)


def _pictures(asked: Sequence[Question]) -> dict[tuple[str, str, str], str]:
    """Which pictures of which records show the proposals, and what they are called in the folder of questions."""
    return {(one.kind, one.slug, name): f"{one.slug}-{name}" for one in asked for name in one.pictures if name}


def _hashes(captures: Sequence[Capture]) -> list[str]:
    with ThreadPoolExecutor(4) as pool:
        return list(pool.map(lambda capture: _sha256(capture.path), captures))


def _sha256(path: Path) -> str:
    """Hash of a capture's contents; empty where it cannot be read, which its task then tells."""
    try:
        return sha256_of(path)
    except (OSError, FlatscanError):
        return ""


def _largest_first(pair: tuple[Capture, str]) -> float:
    return -_size(pair[0].path)


def _size(path: Path) -> float:
    try:
        held = [path] if not path.is_dir() else path.iterdir()
        return float(sum(one.stat().st_size for one in held))
    except OSError:
        return 0.0


def _first_task(capture: Capture, sha256: str, parts: Path) -> Task:
    one = capture.settings.wall
    weight = _WALL_WEIGHT + _size(capture.path)
    task = keyed(Task("look" if one is None else "wall", capture, sha256, number=one or 1, weight=weight))
    return replace(task, parts=str((parts / task.key[:32]).resolve()))


def _begin_all(state: _State, tasks: list[Task], record: Record | None = None) -> None:
    """Count tasks as known, tell how far the work is, then take or queue each of them."""
    state.known += len(tasks)
    state.weight_known += sum(task.weight for task in tasks)
    if record is not None:
        state.watch(state.done, state.known, state.weight_done / state.weight_known, record)
    for task in tasks:
        _begin(state, task)


def _begin(state: _State, task: Task) -> None:
    """Take a task's result from an earlier run, or queue it."""
    record = state.store.find(task.kind, task.slug, task.key) if task.sha256 else None
    if record is not None and _serves(state.store, record, task):
        state.reused += 1
        _finish(state, task, record)
        return
    state.queued += 1
    state.pool.submit(replace(task, scratch=state.scratch))


def _serves(store: Store, record: Record, task: Task) -> bool:
    """Whether an earlier look still serves: the rooms it cut out are there, or nobody needs them any more."""
    try:
        looks = _followers(task, record)
    except (KeyError, TypeError, ValueError):
        # not as we write them: somebody else's hand was in it
        return False
    rooms = record.get("rooms", [])
    if all((Path(task.parts) / f"{part}.json").is_file() for part in rooms):
        return True
    found = [store.find(look.kind, look.slug, look.key) for look in looks]
    return all(
        known is not None and all(store.find(wall.kind, wall.slug, wall.key) for wall in _followers(look, known))
        for look, known in zip(looks, found, strict=True)
    )


def _take(state: _State, task: Task, outcome: Outcome) -> None:
    state.queued -= 1
    if outcome.fatal is not None:
        raise outcome.fatal
    record = state.store.publish(task.kind, task.slug, outcome.record, outcome.sheets)
    _finish(state, task, record)


def _finish(state: _State, task: Task, record: Record) -> None:
    """Count a task as done, and begin what follows from it."""
    state.done += 1
    state.weight_done += task.weight
    state.records[task.kind, task.slug] = record
    _begin_all(state, _followers(task, record), record)


def _followers(task: Task, record: Record) -> list[Task]:
    """The walls that a look found, or the rooms of a building to look at; none where it failed."""
    if task.kind == "wall" or record["status"] != "done":
        return []
    bare = replace(task, scratch=None)
    if record["rooms"]:
        share = task.weight / len(record["rooms"])
        return [keyed(replace(bare, part=part, weight=share)) for part in record["rooms"]]
    count, room = record["walls"], room_of(record)
    walls = [(k, "") for k in range(1, count + 1)] if room is None else [(one.number, one.part) for one in room.walls]
    tasks = [
        replace(bare, kind="wall", number=number, level=level, room=room, several=count > 1, weight=task.weight)
        for number, level in walls
    ]
    return [keyed(one) for one in tasks]


def _in_order(captures: Sequence[Capture], records: dict[tuple[str, str], Record]) -> list[Record]:
    """Records of walls, and of captures and rooms in which no wall was found, in the order of the captures."""
    place = {capture.slug: number for number, capture in enumerate(captures)}
    wanted = [record for (kind, _), record in records.items() if kind == "wall" or record["status"] == "failed"]
    return sorted(wanted, key=lambda r: (place[r["capture"]], r["part"], r["number"], r["level"]))

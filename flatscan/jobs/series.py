"""A wall surveyed many times: what was done between, which spots are open, what shrank."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from flatscan.capture.registry import pick
from flatscan.compare import Entry, Found, ledger
from flatscan.core.errors import FlatscanError, MixedSurveys
from flatscan.core.quantity import COVER
from flatscan.jobs.checking import check
from flatscan.jobs.comparing import compare_surveys
from flatscan.jobs.results import Change, Check
from flatscan.jobs.settings import Capturing, Comparing, Progress, Requirement, silent
from flatscan.plan.lows import LIMIT, find_lows

_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?")
ADDED, REMOVED, BOTH, NOTHING = "added", "removed", "added and removed", "no change seen"


@dataclass(frozen=True, eq=False)
class Step:
    """What changed from one survey to the next: ``done`` in a word, ``change`` as compared.

    ``shrunk`` says whether a wall on which nothing was done came back by more than the ± (None where the thickness is
    not known or work was done).
    """

    change: Change
    done: str
    shrunk: bool | None


@dataclass(frozen=True, eq=False)
class Series:
    """Surveys of one wall in their order: their files, the steps between them, every spot ever found.

    ``limit`` [m] is the depth from which a low spot counts; ``left_out`` are files of the folder that are no captures.
    """

    files: tuple[str, ...]
    steps: tuple[Step, ...]
    spots: tuple[Entry, ...]
    limit: float
    left_out: tuple[str, ...] = ()


def captures_in(folder: str | Path) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """Captures of a folder in the order of their names, and the names of its other files.

    Raises `MixedSurveys` where there are fewer than two captures.
    """
    folder = Path(folder)
    found: list[Path] = []
    others: list[Path] = []
    for path in sorted(p for p in folder.iterdir() if p.is_file() and not p.name.startswith(".")):
        (found if _is_capture(path) else others).append(path)
    if len(found) < 2:
        raise MixedSurveys(
            folder,
            "{captures:count} captures",
            needed="at least two surveys of one wall",
            remedy="Put the surveys into the folder, named so that they sort by day",
            captures=len(found),
        )
    return tuple(found), tuple(path.name for path in others)


def _is_capture(path: Path) -> bool:
    """Whether a file is of a kind that is read; a text counts where its beginning holds a row of three numbers."""
    try:
        form, _ = pick(path)
    except FlatscanError:
        return False
    if form.mark is not None:
        return True
    head = path.read_bytes()[:4096].decode("utf-8", errors="replace")
    return any(len(_NUMBER.findall(line)) >= 3 for line in head.splitlines())


def series(
    paths: Sequence[str | Path], how: Capturing, options: Comparing, limit: float = LIMIT, progress: Progress = silent
) -> Series:
    """Each survey beside the one before; low spots over ``limit`` [m] keep their number through all of them.

    Raises the errors of `comparing.compare_surveys`.
    """
    test = options.finish or Requirement()
    first = check(paths[0], how, test, progress)
    books: list[list[Found]] = [_spots(first, limit, np.zeros(2))]
    steps = []
    # where a later survey's corner lies in the first one's coordinates
    moved = np.zeros(2)
    for earlier, later in zip(paths, paths[1:], strict=False):
        found = compare_surveys(earlier, later, (how, how), options, progress=progress)
        steps.append(_step(found))
        moved = moved + found.difference.alignment.shift[:2]
        books.append(_spots(found, limit, moved))
    files = tuple(Path(path).name for path in paths)
    return Series(files, tuple(steps), ledger(books), limit)


def series_of_folder(
    folder: str | Path, how: Capturing, options: Comparing, limit: float = LIMIT, progress: Progress = silent
) -> Series:
    """`series` of the captures in a folder."""
    paths, others = captures_in(folder)
    return replace(series(paths, how, options, limit, progress), left_out=others)


def _spots(found: Check | Change, limit: float, moved: np.ndarray) -> list[Found]:
    """Low spots of a survey in the first survey's coordinates."""
    lows = find_lows(found.relief, found.gaps.deepest, limit=limit)
    return [Found(low.x + moved[0], low.y + moved[1], low.depth, low.width, low.height) for low in lows]


def _step(found: Change) -> Step:
    change = found.difference
    kinds = {place.kind for place in change.places}
    done = NOTHING if not kinds else BOTH if len(kinds) > 1 else ADDED if "added" in kinds else REMOVED
    mean = change.mean
    shrunk = None
    if mean is not None and mean.u is not None and ADDED not in kinds:
        # a little off everywhere is shrinkage as far as a survey can tell; places cut deep are work
        shrunk = done == NOTHING and mean.value < -COVER * mean.u
    return Step(found, done, shrunk)

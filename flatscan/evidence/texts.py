"""Which of the methods a result relies on, and how the sealed wording of them compares with this version's."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from flatscan import methods
from flatscan.evidence.archive import TEXTS
from flatscan.report.rechecked import SealedText

_ALWAYS = ("record", "definitions", "uncertainty")
# parts of a result document and the texts that say how they come about
_BY_PART = {
    "flatness": ("straightedge", "decision"),
    "verdict": ("straightedge", "decision"),
    "lows": ("straightedge",),
    "material": ("finish-plane", "trade"),
    "hacking": ("finish-plane", "trade"),
    "setout": ("finish-plane", "trade"),
    "compare": ("comparison",),
}


def member_of(name: str) -> str:
    """The name of a text's member in a sealed file."""
    return f"{TEXTS}/{name}.md"


def relied_on(results: Iterable[Mapping[str, Any]]) -> tuple[str, ...]:
    """Names of the texts that say how the numbers of these result documents come about, in reading order."""
    wanted = set(_ALWAYS)
    for result in results:
        for part, texts in _BY_PART.items():
            wanted.update(texts if result.get(part) is not None else ())
        wanted.update(_of_capture(result))
        if _names_tolerance(result):
            wanted.add("tolerances")
    return tuple(name for name in methods.NAMES if name in wanted)


def _of_capture(result: Mapping[str, Any]) -> set[str]:
    """Texts that depend on how the wall was captured."""
    wanted = set() if result["wall"]["cell_mm"] is None else {"walls"}
    wanted |= {"tie"} if result["capture"].get("tie") else set()
    return wanted | ({"laser-line"} if result["capture"]["type"] == "laser-line" else set())


def _names_tolerance(result: Mapping[str, Any]) -> bool:
    judged = [result.get("verdict"), (result.get("compare") or {}).get("background")]
    return any(one and one.get("tolerance") for one in judged)


def sealed_texts(names: Iterable[str], members: Mapping[str, Path]) -> tuple[SealedText, ...]:
    """Each text a sealed file names beside this version's wording of it."""
    return tuple(
        SealedText(name, _same(members[member_of(name)].read_bytes(), name) if name in methods.NAMES else None)
        for name in names
    )


def _same(sealed: bytes, name: str) -> bool:
    return sealed == methods.load(name).text.encode()

"""Attacks on sealed files: a copy changed as a dishonest party would, sealed anew so that it is consistent again."""

import hashlib
import json
import shutil
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from flatscan import report
from flatscan.evidence import recheck
from flatscan.evidence.archive import write_archive
from flatscan.evidence.seal import digest, dumps, seal_record
from flatscan.report.rechecked import recheck_text

CODES = {"same": 0, "altered": 3, "recomputes differently": 4}


@dataclass(frozen=True)
class Attack:
    """What is done to a sealed file, and what a recheck makes of it: its exit code and ``says``, some of its words.

    ``change(folder, manifest)`` has its way with the members, which are then sealed anew; ``raw(bytes)`` with the bytes
    of the whole file instead. ``hasty``: the manifest's list of members is left as it was. ``expects`` is what the
    checker brings along (``seal``, ``key``). On a ``signed`` file ``signature`` is "kept", dropped, or another's.
    Where another result comes out, ``drawn`` is off: the file has no drawings, so that none is made.
    """

    name: str
    code: int
    says: str
    change: Callable[[Path, dict[str, Any]], None] | None = None
    raw: Callable[[bytes], bytes] | None = None
    hasty: bool = False
    expects: dict[str, str] = field(default_factory=dict)
    signed: bool = False
    drawn: bool = True
    signature: str | None = None

    def __str__(self) -> str:
        return self.name


def carried_out(attack: Attack, sealed: Path, place: Path, memory: "Memory") -> tuple[int, str]:
    """Exit code and words of rechecking a sealed file after an attack on it."""
    target = place / "attacked.zip"
    if attack.raw is not None:
        target.write_bytes(attack.raw(sealed.read_bytes()))
    else:
        resealed(sealed, target, attack.change, hasty=attack.hasty, signature=attack.signature)
    with memory.used():
        found = recheck(target, **attack.expects)
    return CODES[found.status], recheck_text(found)


def resealed(sealed, target, change, *, hasty=False, signature=None):
    """A sealed file whose members and manifest were changed, with hashes and seal that fit again."""
    folder = target.parent / "members"
    with zipfile.ZipFile(sealed) as archive:
        archive.extractall(folder)
    manifest = json.loads((folder / "manifest.json").read_text())
    before = (folder / "manifest.json").read_bytes()
    if signature == "kept":
        signature = json.loads((folder / "seal.json").read_text())["signature"]
    change(folder, manifest)
    names = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    if not hasty:
        manifest["members"] = [
            {"name": name, "bytes": (folder / name).stat().st_size, "sha256": digest(folder / name)}
            for name in names
            if name not in ("manifest.json", "seal.json")
        ]
    if (folder / "manifest.json").read_bytes() == before:
        (folder / "manifest.json").write_text(dumps(manifest))
    if (folder / "seal.json").exists() and not hasty:
        said = hashlib.sha256((folder / "manifest.json").read_bytes()).hexdigest()
        (folder / "seal.json").write_text(dumps(seal_record(said, manifest.get("signed_by"), signature)))
    write_archive(target, {name: folder / name for name in names})
    return target


class Memory:
    """Sheets made once for a result and taken again for the same one: drawing is most of a recheck's time.

    The same result document, made of the same capture with the same paper, units and formats, has the same sheets;
    that they really are is held by the tests that draw them twice.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.write = report.write

    def used(self):
        from contextlib import contextmanager

        import pytest

        @contextmanager
        def patched():
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(report, "write", self._written)
                yield

        return patched()

    def _written(self, found, folder, **how):
        document = report.text(report.document(found))
        key = hashlib.sha256(f"{document}{sorted(how.items())}".encode()).hexdigest()
        key += "-".join(report.USUAL)
        kept = self.folder / key
        if not kept.exists():
            names = [path.name for path in self.write(found, kept, **how)]
            (self.folder / f"{key}.names").write_text(json.dumps(names))
        names = json.loads((self.folder / f"{key}.names").read_text())
        folder.mkdir(parents=True)
        return tuple(Path(shutil.copy(kept / name, folder / name)) for name in names)

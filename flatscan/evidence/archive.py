"""The container: a plain zip in one fixed form, so that there is one right byte for every place in it.

Layout of a sealed file, in this order, nothing else::

    README.txt               page one, for people
    manifest.json            settings, versions, statements, and name, size and SHA-256 of every other member
    seal.json                SHA-256 of manifest.json; public key and Ed25519 signature over manifest.json, or null
    captures/01/NAME ...     the captures' own bytes, with all files that belong to them
    inputs/01/NAME ...       files that settings name, likewise
    plan-01.toml ...         the plan of each job that has one
    photos/01.jpg ...        photos
    results/01-survey/...    sheets and result document of each job
    tolerances.json          the tolerance entries used
    methods/decision.md ...  the program's own texts that the results rely on
    time.tsr                 where it was added: a time stamp (RFC 3161) of manifest.json, which does not list it

Members are stored, not compressed, with the date 1980-01-01, plain file modes, no comments and no extra fields.
"""

from __future__ import annotations

import filecmp
import shutil
import stat
import tempfile
import zipfile
from collections.abc import Mapping
from pathlib import Path, PurePosixPath

from flatscan.core.notes import Note, note

README, MANIFEST, SEAL, TOLERANCES = "README.txt", "manifest.json", "seal.json", "tolerances.json"
STAMP = "time.tsr"
TEXTS = "methods"
FIRST = (README, MANIFEST, SEAL)
_EPOCH = (1980, 1, 1, 0, 0, 0)
_MODE = (stat.S_IFREG | 0o644) << 16
_MOST_MEMBERS, _LONGEST, _LARGEST_TEXT = 10_000, 240, 64 * 2**20
_FORBIDDEN = set('\\:*?"<>|\0')


class Altered(Exception):
    """A file that is not as it was sealed; ``problem`` is what is wrong."""

    def __init__(self, problem: Note) -> None:
        self.problem = problem
        super().__init__(problem.code)


def write_archive(path: Path, members: Mapping[str, Path]) -> None:
    """Write files as members of a sealed file, in the one form there is; raises `OSError`."""
    first = [name for name in FIRST if name in members]
    order = first + sorted(set(members) - set(first))
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as archive:
        for name in order:
            info = zipfile.ZipInfo(name, _EPOCH)
            info.create_system, info.external_attr = 3, _MODE
            info.file_size = members[name].stat().st_size
            with members[name].open("rb") as source, archive.open(info, "w") as target:
                shutil.copyfileobj(source, target, 2**20)


def is_sealed(path: Path) -> bool:
    """Whether a file is a sealed one, by the names of its members."""
    try:
        with zipfile.ZipFile(path) as archive:
            return {MANIFEST, SEAL} <= set(archive.namelist())
    except (OSError, zipfile.BadZipFile, ValueError):
        return False


def safe_name(name: str) -> bool:
    """Whether a member's name stays in the folder it is unpacked to, on every system."""
    parts = PurePosixPath(name).parts
    return (
        0 < len(name) <= _LONGEST
        and len(parts) > 0
        and not name.startswith("/")
        and not name.endswith("/")
        and str(PurePosixPath(*parts)) == name
        and all(part not in (".", "..") and part.strip(" .") != "" for part in parts)
        and not any(letter in _FORBIDDEN or ord(letter) < 32 for letter in name)
    )


def unpack(path: Path, folder: Path) -> dict[str, Path]:
    """Members of a sealed file, written into ``folder`` and returned by name; raises `Altered`.

    Nothing is written before all names, kinds and sizes are as sealing makes them: a compressed member (which could
    swell), a link, a name that leaves the folder, a name that stands twice.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            infos = archive.infolist()
            _check_form(path, infos)
            members = {}
            for info in infos:
                target = folder / info.filename
                target.parent.mkdir(parents=True, exist_ok=True)
                with archive.open(info) as source, target.open("wb") as out:
                    shutil.copyfileobj(source, out, 2**20)
                members[info.filename] = target
            return members
    except (zipfile.BadZipFile, zipfile.LargeZipFile, EOFError, NotImplementedError, RuntimeError, ValueError) as fault:
        raise Altered(note("evidence.damaged", reason=_short(fault))) from None


def _short(fault: Exception) -> str:
    return " ".join(str(fault).split())[:120] or type(fault).__name__


def _check_form(path: Path, infos: list[zipfile.ZipInfo]) -> None:
    if len(infos) > _MOST_MEMBERS:
        raise Altered(note("evidence.too-many", members=len(infos), most=_MOST_MEMBERS))
    seen: set[str] = set()
    for info in infos:
        name = info.orig_filename
        kind = stat.S_IFMT(info.external_attr >> 16)
        if not safe_name(name):
            raise Altered(note("evidence.bad-path", name=_shown(name)))
        if kind not in (0, stat.S_IFREG):
            raise Altered(note("evidence.special", name=name))
        if info.compress_type != zipfile.ZIP_STORED or info.compress_size != info.file_size:
            raise Altered(note("evidence.compressed", name=name))
        if name.casefold() in seen:
            raise Altered(note("evidence.twice", name=name))
        seen.add(name.casefold())
    if sum(info.file_size for info in infos) > path.stat().st_size:
        raise Altered(note("evidence.too-many-bytes"))
    if any(not 0 <= info.header_offset < path.stat().st_size for info in infos):
        raise Altered(note("evidence.directory-outside"))
    texts = [info for info in infos if info.filename in FIRST and info.file_size > _LARGEST_TEXT]
    if texts:
        raise Altered(note("evidence.too-large", name=texts[0].filename))


def _shown(name: str) -> str:
    return "".join(c if 32 <= ord(c) < 127 else "." for c in name)[:80]


def same_form(path: Path, members: Mapping[str, Path]) -> bool:
    """Whether the file has exactly the bytes that sealing these members gives."""
    with tempfile.TemporaryDirectory(prefix="flatscan-") as folder:
        sealed_anew = Path(folder) / "anew.zip"
        write_archive(sealed_anew, members)
        return filecmp.cmp(path, sealed_anew, shallow=False)

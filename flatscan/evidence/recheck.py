"""Checking a sealed file: first that it is unchanged, then that the captures still give the sealed numbers."""

from __future__ import annotations

import hashlib
import json
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flatscan import report
from flatscan.core.errors import FlatscanError, ReadError
from flatscan.evidence.archive import FIRST, MANIFEST, SEAL, TEXTS, Altered, same_form, unpack
from flatscan.evidence.contents import COMMANDS, Job
from flatscan.evidence.differences import Row, compare_documents
from flatscan.evidence.keys import is_signed
from flatscan.evidence.seal import KIND, SCHEMA, digest, dumps, seal_record, versions
from flatscan.evidence.settings import from_plain
from flatscan.evidence.texts import SealedText, member_of, sealed_texts
from flatscan.jobs import Capturing, Comparing, Finishing, Progress, Requirement, silent

SAME, ALTERED, DIFFERENT = "same", "altered", "recomputes differently"
_KINDS = {
    "capturing": Capturing,
    "testing": Requirement,
    "finishing": Finishing,
    "comparing": Comparing,
    "earlier": Capturing,
}


@dataclass(frozen=True)
class Rerun:
    """One job run again: its command, its rows, whether result.json has the same bytes, or why it could not be run."""

    command: str
    rows: tuple[Row, ...]
    same_bytes: bool
    trouble: str = ""

    @property
    def differs(self) -> bool:
        """Whether any entry differs by more than rounding."""
        return bool(self.trouble) or any(row.state == "different" for row in self.rows)


@dataclass(frozen=True)
class Report:
    """What a recheck found; ``status`` is same, altered or recomputes differently.

    ``problems`` say what was altered. ``seal`` is the SHA-256 of the manifest, ``signed_by`` the public key in hex
    whose signature holds, None where there is none. ``versions`` are (sealed with, run with). ``texts`` are the sealed
    methods; another wording of them changes no number and so no status.
    """

    status: str
    problems: tuple[str, ...]
    reruns: tuple[Rerun, ...] = ()
    seal: str | None = None
    signed_by: str | None = None
    versions: tuple[dict[str, str], dict[str, str]] = ({}, {})
    texts: tuple[SealedText, ...] = ()


def recheck(
    path: str | Path, *, seal: str | None = None, key: str | None = None, progress: Progress = silent
) -> Report:
    """Verify every byte, the seal and the signature, then rerun all jobs from the captures and compare the results.

    ``seal`` (hex) and ``key`` (public, hex) are what the checker expects from another source. An altered file is not
    rerun. Raises `ReadError` for a file that is no sealed file at all.
    """
    path = _looks_sealed(Path(path))
    with tempfile.TemporaryDirectory(prefix="flatscan-") as place:
        folder = Path(place)
        try:
            progress("checking hashes", None)
            members = unpack(path, folder)
            manifest, record = _manifest(members)
            problems = (*_member_problems(members, manifest), *_expected(record, seal, key))
            if not problems:
                _check_jobs(members, manifest)
            if not problems and not same_form(path, members):
                problems = ("the container's own bytes (its directory, dates or padding) are not those of sealing",)
        except Altered as fault:
            return Report(ALTERED, (str(fault),))
        said, signer = record["manifest_sha256"], record["public_key"]
        ran = (dict(manifest["versions"]), versions())
        if problems:
            return Report(ALTERED, tuple(problems), (), said, None, ran)
        texts = sealed_texts(_texts_named(manifest), members)
        reruns = tuple(_rerun(job, members, manifest, progress) for job in manifest["jobs"])
    status = DIFFERENT if any(one.differs for one in reruns) else SAME
    return Report(status, (), reruns, said, signer, ran, texts)


def _looks_sealed(path: Path) -> Path:
    try:
        with path.open("rb") as stream:
            head = stream.read(4096)
            stream.seek(max(0, path.stat().st_size - 4096))
            tail = stream.read()
    except OSError as reason:
        raise ReadError(path, f"it cannot be read ({reason.strerror})", needed="a sealed file",
                        remedy="Check the name and the folder") from None  # fmt: skip
    if b"PK\x03\x04" not in head[:4] and b"PK\x05\x06" not in tail and b"README.txt" not in head:
        raise ReadError(path, "this is not a sealed file", needed="a file made by flatscan evidence",
                        remedy="Choose the .zip that flatscan evidence wrote")  # fmt: skip
    return path


def _manifest(members: Mapping[str, Path]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Manifest and seal, each in the one form they are written in, the seal holding; raises `Altered`."""
    for name in FIRST:
        if name not in members:
            raise Altered(f"the member '{name}' is missing")
    made = []
    for name in (MANIFEST, SEAL):
        data = members[name].read_bytes()
        try:
            parsed = json.loads(data.decode("utf-8"))
        except (UnicodeDecodeError, ValueError, RecursionError):
            raise Altered(f"the member '{name}' is damaged") from None
        if not isinstance(parsed, dict) or dumps(parsed).encode() != data:
            raise Altered(f"the member '{name}' is not in the form it is sealed in")
        made.append(parsed)
    manifest, record = made
    if set(record) != set(seal_record("", None, None)):
        raise Altered(f"the member '{SEAL}' has other entries than a seal")
    data = members[MANIFEST].read_bytes()
    if hashlib.sha256(data).hexdigest() != record["manifest_sha256"]:
        raise Altered(f"'{MANIFEST}' does not have the SHA-256 that '{SEAL}' seals")
    if manifest.get("kind") != KIND or manifest.get("schema") != SCHEMA:
        raise Altered("the manifest is not one of a sealed file of this kind")
    _check_signature(manifest, record, data)
    return manifest, record


def _check_signature(manifest: Mapping[str, Any], record: Mapping[str, Any], data: bytes) -> None:
    signer = manifest.get("signed_by")
    if record["public_key"] != signer or (record["signature"] is None) != (signer is None):
        raise Altered("the signature was taken away, added or exchanged: the manifest names another key than the seal")
    if signer is not None and not is_signed(str(signer), str(record["signature"]), data):
        raise Altered("the signature does not hold for this manifest")


def _member_problems(members: Mapping[str, Path], manifest: Mapping[str, Any]) -> list[str]:
    """Members missing, extra, or with other bytes than the manifest says."""
    try:
        listed = {one["name"]: (one["bytes"], one["sha256"]) for one in manifest["members"]}
    except (KeyError, TypeError):
        raise Altered("the manifest's list of members is damaged") from None
    here = set(members) - {MANIFEST, SEAL}
    problems = [f"the member '{name}' is missing" for name in sorted(set(listed) - here)]
    problems += [f"the member '{name}' was added" for name in sorted(here - set(listed))]
    for name in sorted(here & set(listed)):
        size, sha256 = listed[name]
        if members[name].stat().st_size != size or digest(members[name]) != sha256:
            problems.append(f"the member '{name}' has other bytes than were sealed")
    return problems


def _expected(record: Mapping[str, Any], seal: str | None, key: str | None) -> list[str]:
    problems = []
    if seal is not None and seal.strip().lower() != record["manifest_sha256"]:
        problems.append(f"its seal is {record['manifest_sha256']}, not the one expected: another file, or sealed anew")
    if key is not None and record["public_key"] != key:
        signer = record["public_key"]
        problems.append(f"it is signed by the key {signer}, not the one expected" if signer else "it is not signed")
    return problems


def _check_jobs(members: Mapping[str, Path], manifest: Mapping[str, Any]) -> None:
    """Jobs, captures and results as sealing describes them; raises `Altered` for anything else."""
    try:
        count = len(manifest["captures"])
        sound = all(capture["member"] in members for capture in manifest["captures"])
        for job in manifest["jobs"]:
            wanted = 2 if job["command"] == "compare" else 1
            sound &= job["command"] in COMMANDS and len(job["captures"]) == wanted
            sound &= all(type(k) is int and 0 <= k < count for k in job["captures"])
            sound &= set(job["settings"]) <= set(_KINDS)
            sound &= isinstance(json.loads(members[job["result"]].read_bytes())["files"], list)
        sound &= all(isinstance(text, str) for text in manifest["versions"].values())
        sound &= {member_of(name) for name in _texts_named(manifest)} == _text_members(members)
    except (KeyError, TypeError, ValueError, AttributeError, RecursionError):
        sound = False
    if not sound:
        raise Altered("the manifest does not describe captures, jobs and results as sealing does")


def _texts_named(manifest: Mapping[str, Any]) -> list[str]:
    """Names of the sealed methods; a file sealed before there were any names none."""
    return list(manifest.get("methods", ()))


def _text_members(members: Mapping[str, Path]) -> set[str]:
    return {name for name in members if name.startswith(f"{TEXTS}/")}


def _rerun(
    job: Mapping[str, Any], members: Mapping[str, Path], manifest: Mapping[str, Any], progress: Progress
) -> Rerun:
    """One job from the sealed captures with the sealed settings, beside its sealed result."""
    command = str(job["command"])
    sealed = members[job["result"]].read_bytes()
    document = json.loads(sealed)
    try:
        settings: dict[str, Any] = {
            part: from_plain(_KINDS[part], plain, members) for part, plain in job["settings"].items()
        }
        paths = tuple(members[capture["member"]] for capture in manifest["captures"])
        found = Job(command, tuple(job["captures"]), **settings).run(paths, progress)
        again = report.document(found, document["files"])
    except FlatscanError as trouble:
        return Rerun(command, (), False, f"it could not be run again: {trouble}")
    text = report.text(again).encode()
    return Rerun(command, compare_documents(document, json.loads(text)), text == sealed)

"""Checking a sealed file: first that it is unchanged, then that the captures still give the sealed numbers."""

from __future__ import annotations

import hashlib
import json
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from flatscan import report
from flatscan.core.errors import FlatscanError, ReadError
from flatscan.core.notes import Note, note
from flatscan.evidence import stamp
from flatscan.evidence.archive import FIRST, MANIFEST, SEAL, STAMP, TEXTS, Altered, same_form, unpack
from flatscan.evidence.contents import COMMANDS, Job, from_plain, member_of, sealed_texts
from flatscan.evidence.seal import KIND, SCHEMA, digest, dumps, is_signed, seal_record, versions
from flatscan.jobs import Capturing, Comparing, Finishing, Progress, Requirement, silent
from flatscan.jobs.job_plan import PlanUsed
from flatscan.report.sealed_page import ALTERED, DIFFERENT, SAME, Rechecked, Rerun, Row, State

_KINDS = {
    "capturing": Capturing,
    "testing": Requirement,
    "finishing": Finishing,
    "comparing": Comparing,
    "earlier": Capturing,
    "plan": PlanUsed,
}
# documents are rounded to 0.001, so two computations of one number may differ by one such step
ROUNDING = 0.001
_SLACK = 1e-9
# sentences for people: another version may word them anew without any number being another
_PROSE = frozenset({"warnings", "notes", "cautions", "reasons", "stops", "files", "note", "why", "words", "tied_by"})
_PROSE |= {"known_from", "up_from", "facing_from"}


def recheck(
    path: str | Path,
    *,
    seal: str | None = None,
    key: str | None = None,
    roots: Sequence[Any] | None = None,
    progress: Progress = silent,
) -> Rechecked:
    """Verify every byte, the seal and the signature, then rerun all jobs from the captures and compare the results.

    ``seal`` (hex) and ``key`` (public, hex) are what the checker expects from another source, ``roots`` the
    certificates under which he trusts a time stamp. An altered file is not rerun. Raises `ReadError` for a file that is
    no sealed file at all.
    """
    path = _looks_sealed(Path(path))
    with tempfile.TemporaryDirectory(prefix="flatscan-") as place:
        folder = Path(place)
        try:
            progress(note("stage.hashes"), None)
            members = unpack(path, folder)
            manifest, record = _manifest(members)
            when, untimely = stamp.time_of(members, roots)
            problems = (*_member_problems(members, manifest), *_expected(record, seal, key))
            problems += () if untimely is None else (untimely,)
            if not problems:
                _check_jobs(members, manifest)
            if not problems and not same_form(path, members):
                problems = (note("evidence.other-container"),)
        except Altered as fault:
            return Rechecked(ALTERED, (fault.problem,))
        said, signer = record["manifest_sha256"], record["public_key"]
        ran = (dict(manifest["versions"]), versions())
        if problems:
            return Rechecked(ALTERED, tuple(problems), (), said, None, ran, time=when)
        texts = sealed_texts(_texts_named(manifest), members)
        reruns = tuple(_rerun(job, members, manifest, progress) for job in manifest["jobs"])
    status = DIFFERENT if any(one.differs for one in reruns) else SAME
    return Rechecked(status, (), reruns, said, signer, ran, texts, when)


def _looks_sealed(path: Path) -> Path:
    try:
        with path.open("rb") as stream:
            head = stream.read(4096)
            stream.seek(max(0, path.stat().st_size - 4096))
            tail = stream.read()
    except OSError as reason:
        raise ReadError(
            path,
            "it cannot be read ({reason})",
            needed="a sealed file",
            remedy="Check the name and the folder",
            reason=str(reason.strerror),
        ) from None
    if b"PK\x03\x04" not in head[:4] and b"PK\x05\x06" not in tail and b"README.txt" not in head:
        raise ReadError(
            path,
            "this is not a sealed file",
            needed="a file made by {run:evidence}",
            remedy="Choose the .zip that {run:evidence} wrote",
        )
    return path


def _manifest(members: Mapping[str, Path]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Manifest and seal, each in the one form they are written in, the seal holding; raises `Altered`."""
    for name in FIRST:
        if name not in members:
            raise Altered(note("evidence.missing", name=name))
    read = []
    for name in (MANIFEST, SEAL):
        data = members[name].read_bytes()
        try:
            parsed = json.loads(data.decode("utf-8"))
        except (UnicodeDecodeError, ValueError, RecursionError):
            raise Altered(note("evidence.member-damaged", name=name)) from None
        if not isinstance(parsed, dict) or dumps(parsed).encode() != data:
            raise Altered(note("evidence.other-form", name=name))
        read.append(parsed)
    manifest, record = read
    if set(record) != set(seal_record("", None, None)):
        raise Altered(note("evidence.other-entries", name=SEAL))
    data = members[MANIFEST].read_bytes()
    if hashlib.sha256(data).hexdigest() != record["manifest_sha256"]:
        raise Altered(note("evidence.seal-broken", manifest=MANIFEST, seal=SEAL))
    if manifest.get("kind") != KIND or manifest.get("schema") != SCHEMA:
        raise Altered(note("evidence.other-kind"))
    _check_signature(manifest, record, data)
    return manifest, record


def _check_signature(manifest: Mapping[str, Any], record: Mapping[str, Any], data: bytes) -> None:
    signer = manifest.get("signed_by")
    if record["public_key"] != signer or (record["signature"] is None) != (signer is None):
        raise Altered(note("evidence.signature-exchanged"))
    if signer is not None and not is_signed(str(signer), str(record["signature"]), data):
        raise Altered(note("evidence.signature-broken"))


def _member_problems(members: Mapping[str, Path], manifest: Mapping[str, Any]) -> list[Note]:
    """Members missing, extra, or with other bytes than the manifest says."""
    try:
        listed = {one["name"]: (one["bytes"], one["sha256"]) for one in manifest["members"]}
    except (KeyError, TypeError):
        raise Altered(note("evidence.list-damaged")) from None
    here = set(members) - {MANIFEST, SEAL, STAMP}
    problems = [note("evidence.missing", name=name) for name in sorted(set(listed) - here)]
    problems += [note("evidence.added", name=name) for name in sorted(here - set(listed))]
    for name in sorted(here & set(listed)):
        size, sha256 = listed[name]
        if members[name].stat().st_size != size or digest(members[name]) != sha256:
            problems.append(note("evidence.other-bytes", name=name))
    return problems


def _expected(record: Mapping[str, Any], seal: str | None, key: str | None) -> list[Note]:
    problems = []
    if seal is not None and seal.strip().lower() != record["manifest_sha256"]:
        problems.append(note("evidence.other-seal", seal=record["manifest_sha256"]))
    if key is not None and record["public_key"] != key:
        signer = record["public_key"]
        problems.append(note("evidence.other-key", key=signer) if signer else note("evidence.unsigned"))
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
        raise Altered(note("evidence.not-as-sealing"))


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
        recomputed = report.document(found, document["files"])
    except FlatscanError as trouble:
        return Rerun(command, (), False, trouble)
    text = report.text(recomputed).encode()
    return Rerun(command, compare_documents(document, json.loads(text)), text == sealed)


def compare_documents(sealed: Any, again: Any) -> tuple[Row, ...]:
    """Every entry of two result documents in reading order.

    An entry only one of them has is different, but for the keys that documents sealed earlier cannot have.
    """
    return tuple(_walk(sealed, again, ""))


_ABSENT = "(absent)"
# keys that documents have since November 2026: what was sealed before says nothing under them, so nothing else either.
# They are named one by one, so that a document sealed with any other key left out still recomputes differently.
_ADDED_SINCE = frozenset({"cautions", "lower_mm", "notes", "objects", "restricted"})


def _walk(sealed: Any, again: Any, path: str) -> Iterator[Row]:
    if isinstance(sealed, dict) and isinstance(again, dict):
        for key in [*sealed, *(key for key in again if key not in sealed)]:
            below = f"{path}.{key}" if path else key
            if key not in sealed and key in _ADDED_SINCE:
                yield Row(below, _ABSENT, again[key], "added")
            else:
                yield from _walk(sealed.get(key, _ABSENT), again.get(key, _ABSENT), below)
    elif isinstance(sealed, list) and isinstance(again, list):
        for k in range(max(len(sealed), len(again))):
            one, two = (side[k] if k < len(side) else _ABSENT for side in (sealed, again))
            yield from _walk(one, two, f"{path}.{k + 1}")
        if not sealed and not again:
            yield Row(path, [], [], "same")
    else:
        yield Row(path, sealed, again, _state(sealed, again, path))


def _state(sealed: Any, again: Any, path: str) -> State:
    if type(sealed) is type(again) and sealed == again:
        return "same"
    if _is_number(sealed) and _is_number(again):
        apart = abs(sealed - again)
        if apart == 0:
            return "same"
        return "rounding" if apart <= ROUNDING + _SLACK and not _is_count(sealed, again) else "different"
    return "different" if _PROSE.isdisjoint(path.split(".")) else "wording"


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _is_count(one: Any, two: Any) -> bool:
    return isinstance(one, int) and isinstance(two, int)

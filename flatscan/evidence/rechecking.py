"""Checking a sealed file: that it is unchanged, and that what it holds makes the very same file again.

The file is sealed anew from its own captures, inputs, settings and statements, in the way that sealing goes. Whatever
does not come out of that again is listed: a number, a sentence, a line on a sheet, a member too many or one missing.
"""

from __future__ import annotations

import hashlib
import json
import re
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from flatscan.core.choices import PAPERS, SHEET_UNITS
from flatscan.core.errors import FlatscanError, ReadError
from flatscan.core.notes import Note, note
from flatscan.core.records import from_plain as record_of
from flatscan.evidence import stamp
from flatscan.evidence.archive import FIRST, MANIFEST, SEAL, STAMP, TEXTS, Altered, safe_name, same_form, unpack
from flatscan.evidence.contents import (
    COMMANDS,
    MORE_FILES,
    PARTS,
    OddSetting,
    Statement,
    job_of,
    member_of,
    photos_kept,
    sealed_texts,
)
from flatscan.evidence.entries import compare_documents
from flatscan.evidence.same_content import otherwise, shown
from flatscan.evidence.seal import KIND, SCHEMA, Gathering, digest, dumps, member_list, seal_record, versions
from flatscan.evidence.signing import is_signed
from flatscan.jobs import Progress, silent
from flatscan.report.rechecked import ALTERED, DIFFERENT, SAME, Rechecked, Rerun, Sheet
from flatscan.report.sealed_page import papers_of

# what nobody can check: it is printed as stated
_STATED = {
    "title": note("recheck.stated-title"),
    "date": note("recheck.stated-date"),
    "grounds": note("recheck.stated-grounds"),
    "present": note("recheck.stated-present"),
    "notes": note("recheck.stated-notes"),
    "left_out": note("recheck.stated-left-out"),
}
_VERSION = re.compile(r"[0-9A-Za-z][0-9A-Za-z.+_-]{0,30}")
_MOST_JOBS = 100
# entries of a result that stand at the foot of its papers
_MARKED = frozenset(
    {("capture", "sha256"), ("compare", "earlier", "sha256"), ("plan", "fingerprint")}
    | {("record", name) for name in ("number", "report")}
)


def recheck(
    path: str | Path,
    *,
    seal: str | None = None,
    key: str | None = None,
    roots: Sequence[Any] | None = None,
    progress: Progress = silent,
) -> Rechecked:
    """Verify every byte, the seal and the signature, then seal it anew from its captures and compare all of it.

    ``seal`` (hex) and ``key`` (public, hex) are what the checker expects from another source, ``roots`` the
    certificates under which he trusts a time stamp. A file that is not as it was sealed is not rerun. Raises
    `ReadError` for a file that is no sealed file at all.
    """
    path = _looks_sealed(Path(path))
    with tempfile.TemporaryDirectory(prefix="flatscan-") as place:
        folder = Path(place) / "sealed"
        try:
            progress(note("stage.hashes"), None)
            members = unpack(path, folder)
            manifest, record = _manifest(members)
            when, untimely = stamp.time_of(members, roots)
            problems = (*_member_problems(members, manifest), *_expected(record, seal, key))
            problems += () if untimely is None else (untimely,)
            if not problems:
                _check_described(members, manifest)
            if not problems and not same_form(path, members):
                problems = (note("evidence.other-container"),)
            said, signer = record["manifest_sha256"], record["public_key"]
            if problems:
                return Rechecked(ALTERED, tuple(problems), seal=said, versions=_both_versions(manifest), time=when)
            again = _Again(folder, members, manifest, Path(place) / "again", progress)
            return replace(again.found(said, signer), time=when)
        except Altered as fault:
            return Rechecked(ALTERED, (fault.problem,))


class _Again:
    """A sealed file sealed anew from what it holds, and what came out otherwise."""

    def __init__(
        self, folder: Path, members: Mapping[str, Path], manifest: Mapping[str, Any], place: Path, progress: Progress
    ) -> None:
        place.mkdir()
        self.folder, self.members, self.manifest = folder, members, manifest
        self.versions = _both_versions(manifest)
        self.elsewhere = self.versions[0] != self.versions[1]
        self.gathering = Gathering(place, str(manifest["jobs"][0]["units"]), progress)

    def found(self, said: str, signer: str | None) -> Rechecked:
        """What a recheck found."""
        self.gathering.keep_photos(photos_kept(self.manifest["photos"], self.members), self.members)
        for one in self.manifest["captures"]:
            self._capture(str(one["member"]))
        reruns = tuple(self._rerun(job) for job in self.manifest["jobs"])
        problems: tuple[Note, ...] = ()
        sheets: tuple[Sheet, ...] = ()
        if all(rerun.trouble is None for rerun in reruns):
            problems = (*self._of_manifest(signer), *self._of_members())
            of_result = dict(zip((job["result"] for job in self.gathering.jobs), reruns, strict=True))
            names = sorted(set(self.gathering.files) & set(self.members))
            sheets = tuple(self._sheet(name, of_result.get(name)) for name in names)
        status = self._status(problems, reruns, sheets)
        stated = tuple(_stated(self.manifest))
        texts = sealed_texts(self.manifest["methods"], self.members)
        papers = () if status == ALTERED else self._papers(reruns)
        return Rechecked(status, problems, reruns, said, signer, self.versions, texts, sheets, stated, papers)

    def _papers(self, reruns: Sequence[Rerun]) -> tuple[Note, ...]:
        """What the sealed papers carry: as those made anew, where nothing of it came out otherwise."""
        sound = [rerun for rerun in reruns if rerun.trouble is None]
        return papers_of(
            [
                made
                for rerun, made in zip(sound, self.gathering.reports, strict=True)
                if not any(row.differs and tuple(row.path.split(".")) in _MARKED for row in rerun.rows)
            ]
        )

    def _capture(self, member: str) -> None:
        try:
            self.gathering.capture(self.folder / member)
        except FlatscanError as trouble:
            raise Altered(note("evidence.no-capture", name=shown(member), why=trouble)) from None

    def _rerun(self, job: Mapping[str, Any]) -> Rerun:
        """One job from the sealed captures with the sealed settings, beside its sealed result."""
        command, sealed = str(job["command"]), self.members[job["result"]].read_bytes()
        inputs = self._inputs()
        try:
            self.gathering.job(job_of(job, inputs))
        except OddSetting as trouble:
            raise Altered(note("evidence.odd-setting", why=trouble)) from None
        except FlatscanError as trouble:
            # by its name in the sealed file, wherever that is unpacked for the while
            return Rerun(command, (), False, trouble.calling(f"{self.folder.resolve()}/", ""))
        made = self.gathering.files[self.gathering.jobs[-1]["result"]].read_bytes()
        rows = compare_documents(json.loads(sealed), json.loads(made), rounding=self.elsewhere)
        return Rerun(command, rows, made == sealed)

    def _inputs(self) -> dict[str, Path]:
        """What settings may name: every input and capture by its name, folders of frames as well as files."""
        held = ("inputs/", "captures/", "photos/")
        found = {name: path for name, path in self.members.items() if name.startswith(held)}
        for name in list(found):
            above = Path(name).parents
            found |= {inner.as_posix(): self.folder / inner for inner in list(above)[:-3]}
        return found

    def _of_manifest(self, signer: str | None) -> list[Note]:
        """Entries of the manifest that sealing would write otherwise."""
        statement = _statement(self.manifest)
        again = self.gathering.manifest(statement, signer, self.versions[0])
        sealed = {name: value for name, value in self.manifest.items() if name != "members"}
        problems = [
            note("evidence.entry-otherwise", name=shown(name))
            for name in {**sealed, **again}
            if name not in sealed or name not in again or dumps(sealed[name]) != dumps(again[name])
        ]
        return problems or [note("evidence.other-form", name=MANIFEST)] * (list(self.manifest) != [*again, "members"])

    def _of_members(self) -> list[Note]:
        """Members that sealing does not make from the captures, and those that it makes and are not there."""
        here, made = set(self.members) - {MANIFEST, SEAL, STAMP}, set(self.gathering.files)
        problems = [note("evidence.not-made", name=shown(name)) for name in sorted(here - made)]
        return problems + [note("evidence.not-there", name=name) for name in sorted(made - here)]

    def _sheet(self, name: str, rerun: Rerun | None) -> Sheet:
        """A member beside the one made anew; a result document entry by entry, by its ``rerun``."""
        why, same = otherwise(self.members[name], self.gathering.files[name], elsewhere=self.elsewhere)
        if rerun is None or same:
            return Sheet(name, same, why)
        if all(row.state == "same" for row in rerun.rows):
            return Sheet(name, same, note("recheck.other-form"))
        return Sheet(name, same, why if rerun.differs else None)

    def _status(self, problems: tuple[Note, ...], reruns: tuple[Rerun, ...], sheets: tuple[Sheet, ...]) -> str:
        if problems:
            return ALTERED
        other = any(sheet.why is not None for sheet in sheets)
        if any(rerun.differs for rerun in reruns) or self.versions[0].get("flatscan") != self.versions[1]["flatscan"]:
            return DIFFERENT
        # sheets follow from numbers that came out the same: by the same libraries they are the same
        return SAME if not other else DIFFERENT if self.elsewhere else ALTERED


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
    manifest, record = (_parsed(members, name) for name in (MANIFEST, SEAL))
    if set(record) != set(seal_record("", None, None)):
        raise Altered(note("evidence.other-entries", name=SEAL))
    data = members[MANIFEST].read_bytes()
    if hashlib.sha256(data).hexdigest() != record["manifest_sha256"]:
        raise Altered(note("evidence.seal-broken", manifest=MANIFEST, seal=SEAL))
    if manifest.get("kind") != KIND or manifest.get("schema") != SCHEMA:
        raise Altered(note("evidence.other-kind"))
    _check_signature(manifest, record, data)
    return manifest, record


def _parsed(members: Mapping[str, Path], name: str) -> dict[str, Any]:
    data = members[name].read_bytes()
    try:
        parsed = json.loads(data.decode("utf-8"))
        same = isinstance(parsed, dict) and dumps(parsed).encode() == data
    except (UnicodeError, ValueError, RecursionError):
        raise Altered(note("evidence.member-damaged", name=name)) from None
    if not same:
        raise Altered(note("evidence.other-form", name=name))
    return dict(parsed)


def _check_signature(manifest: Mapping[str, Any], record: Mapping[str, Any], data: bytes) -> None:
    signer = manifest.get("signed_by")
    if record["public_key"] != signer or (record["signature"] is None) != (signer is None):
        raise Altered(note("evidence.signature-exchanged"))
    if signer is not None and not is_signed(str(signer), str(record["signature"]), data):
        raise Altered(note("evidence.signature-broken"))


def _member_problems(members: Mapping[str, Path], manifest: Mapping[str, Any]) -> list[Note]:
    """Members missing, extra, or with other bytes than the manifest says."""
    try:
        listed = {str(one["name"]): (one["bytes"], one["sha256"]) for one in manifest["members"]}
    except (KeyError, TypeError):
        raise Altered(note("evidence.list-damaged")) from None
    here = set(members) - {MANIFEST, SEAL, STAMP}
    problems = [note("evidence.missing", name=shown(name)) for name in sorted(set(listed) - here)]
    problems += [note("evidence.added", name=name) for name in sorted(here - set(listed))]
    for name in sorted(here & set(listed)):
        size, sha256 = listed[name]
        if members[name].stat().st_size != size or digest(members[name]) != sha256:
            problems.append(note("evidence.other-bytes", name=name))
    # each once, in order, and with no word more than sealing says of it
    if not problems and dumps(manifest["members"]) != dumps(member_list({name: members[name] for name in here})):
        problems.append(note("evidence.list-damaged"))
    return problems


def _expected(record: Mapping[str, Any], seal: str | None, key: str | None) -> list[Note]:
    problems = []
    if seal is not None and seal.strip().lower() != record["manifest_sha256"]:
        problems.append(note("evidence.other-seal", seal=record["manifest_sha256"]))
    if key is not None and record["public_key"] != key:
        signer = record["public_key"]
        problems.append(note("evidence.other-key", key=signer) if signer else note("evidence.unsigned"))
    return problems


def _check_described(members: Mapping[str, Path], manifest: Mapping[str, Any]) -> None:
    """Captures, jobs, texts and statements in the form sealing gives them; raises `Altered` for anything else.

    What they say is compared when the file is sealed anew: here only what that needs to go through.
    """
    jobs = manifest.get("jobs")
    if not jobs:
        raise Altered(note("evidence.no-jobs"))
    try:
        count = len(manifest["captures"])
        sound = len(jobs) <= _MOST_JOBS and all(_is_held(one["member"], members) for one in manifest["captures"])
        sound &= all(_is_job(job, count, members) for job in jobs)
        # a capture for no job would be there to be looked at, not to be measured
        sound &= {k for job in jobs for k in job["captures"]} == set(range(count))
        versions = manifest["versions"]
        sound &= "flatscan" in versions and all(_VERSION.fullmatch(text) for text in versions.values())
        texts = {member_of(name) for name in manifest["methods"]}
        sound &= texts == {name for name in members if name.startswith(f"{TEXTS}/")}
        _statement(manifest)
    except (KeyError, TypeError, ValueError, AttributeError, RecursionError):
        sound = False
    if not sound:
        raise Altered(note("evidence.not-as-sealing"))


def _is_held(member: Any, members: Mapping[str, Path]) -> bool:
    """Whether a capture is a member, or a folder of members, where captures stand."""
    inside = any(name == member or name.startswith(f"{member}/") for name in members)
    return isinstance(member, str) and member.startswith("captures/") and safe_name(member) and inside


def _is_job(job: Mapping[str, Any], captures: int, members: Mapping[str, Path]) -> bool:
    settings = job["settings"]
    several = settings.get("capturing", {}).get("same_wall", False)
    wanted = 2 if job["command"] == "compare" else len(job["captures"]) if several else 1
    return (
        job["command"] in COMMANDS
        and len(job["captures"]) == wanted > 0
        and all(type(k) is int and 0 <= k < captures for k in job["captures"])
        and job["units"] in SHEET_UNITS
        and job["paper"] in PAPERS
        and set(job["also"]) <= set(MORE_FILES)
        and set(settings) <= set(PARTS)
        and isinstance(json.loads(members[job["result"]].read_bytes()), dict)
    )


def _statement(manifest: Mapping[str, Any]) -> Statement:
    """What the file's maker states; raises `ValueError` for anything but words."""
    return record_of(Statement, {name: manifest[name] for name in _STATED})


def _stated(manifest: Mapping[str, Any]) -> list[Note]:
    """What the maker states, each under its name, where anything is."""
    given = ((said, manifest[name]) for name, said in _STATED.items())
    words = ((said, "; ".join(part) if isinstance(part, list) else part) for said, part in given)
    return [note("recheck.stated-as", name=said, words=shown(text)) for said, text in words if text]


def _both_versions(manifest: Mapping[str, Any]) -> tuple[dict[str, str], dict[str, str]]:
    """What the file is said to be sealed with, and what runs now."""
    said = manifest.get("versions")
    return ({str(k): shown(str(v)) for k, v in said.items()} if isinstance(said, dict) else {}), versions()

"""Making a sealed file: run the jobs, gather captures, settings, results and statements, write them in one form."""

from __future__ import annotations

import hashlib
import json
import platform
import shutil
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from flatscan import __version__, methods, report
from flatscan.core.errors import BadValue, OutputError, ReadError
from flatscan.core.notes import note
from flatscan.evidence.archive import MANIFEST, README, SEAL, TOLERANCES, safe_name, write_archive
from flatscan.evidence.contents import Job, Photo, Statement, member_of, relied_on, take_photo, to_plain
from flatscan.jobs import Progress, silent
from flatscan.report.parts import Report
from flatscan.report.sealed_page import sealed_page

HOW_TO_MAKE = "Make one with: openssl genpkey -algorithm ed25519 -out key.pem"
_BYTES = 32


@dataclass(frozen=True)
class Key:
    """A private key: ``public`` is its public half in hex, ``sign(message)`` gives 64 bytes."""

    public: str
    sign: Callable[[bytes], bytes]


def load_key(path: str | Path, passphrase: bytes | None = None) -> Key:
    """An Ed25519 private key from a PEM (PKCS 8) or OpenSSH file; raises `ReadError` for anything else.

    A protected key without its passphrase raises `BadValue`.
    """
    library = _library()
    from cryptography.hazmat.primitives import serialization

    try:
        data = Path(path).read_bytes()
    except OSError as reason:
        raise ReadError(
            path,
            "the key cannot be read ({reason})",
            needed="a private key file",
            remedy=HOW_TO_MAKE,
            reason=str(reason.strerror),
        ) from None
    load: Callable[..., Any] = serialization.load_pem_private_key
    if b"OPENSSH" in data[:64]:
        load = serialization.load_ssh_private_key
    try:
        private = load(data, password=passphrase)
    except TypeError:
        raise BadValue(
            path,
            "the key is protected by a passphrase, or a passphrase was given for one that is not",
            needed="a passphrase for a protected key and none for another",
            remedy="Give the passphrase when asked",
        ) from None
    except ValueError:
        raise ReadError(
            path,
            "not a private key, or a wrong passphrase",
            needed="an Ed25519 private key in PEM",
            remedy=HOW_TO_MAKE,
        ) from None
    if not isinstance(private, library.Ed25519PrivateKey):
        raise ReadError(
            path,
            "a key of another kind ({kind})",
            needed="an Ed25519 private key",
            remedy=HOW_TO_MAKE,
            kind=type(private).__name__,
        )
    return key_of(private)


def key_of(private: Any) -> Key:
    """The `Key` of a private key object of the cryptography library."""
    return Key(private.public_key().public_bytes_raw().hex(), private.sign)


def is_signed(public: str, signature: str, message: bytes) -> bool:
    """Whether ``signature`` (hex) over ``message`` was made by the private half of ``public`` (hex)."""
    library = _library()
    from cryptography.exceptions import InvalidSignature

    try:
        library.Ed25519PublicKey.from_public_bytes(bytes.fromhex(public)).verify(bytes.fromhex(signature), message)
    except (InvalidSignature, ValueError):
        return False
    return True


def public_key(text: str) -> str:
    """A public key in hex from 64 hex digits, or from the name of a PEM or OpenSSH public key file.

    Raises `BadValue` for anything else.
    """
    word = text.strip().lower()
    if len(word) == 2 * _BYTES and all(c in "0123456789abcdef" for c in word):
        return word
    library = _library()
    from cryptography.hazmat.primitives import serialization

    try:
        data = Path(text).read_bytes()
        ssh = data.startswith(b"ssh-")
        found: Any = serialization.load_ssh_public_key(data) if ssh else serialization.load_pem_public_key(data)
    except (OSError, ValueError):
        found = None
    if not isinstance(found, library.Ed25519PublicKey):
        raise BadValue(
            "{set:key}",
            "'{text}' is no Ed25519 public key",
            needed="64 hex digits, or a public key file",
            remedy="Ask the signer for the public key",
            text=text,
        )
    return found.public_bytes_raw().hex()


def _library() -> Any:
    try:
        from cryptography.hazmat.primitives.asymmetric import ed25519
    except ImportError:
        raise ReadError(
            "signature",
            "the cryptography library is not installed",
            needed="it, to sign or to check a signature",
            remedy="Install it with: pip install 'flatscan[sign]'",
        ) from None
    return ed25519


SCHEMA, KIND = 1, "flatscan evidence"


@dataclass(frozen=True)
class Sealed:
    """A sealed file: its path, its seal (the SHA-256 of its manifest, in hex) and the manifest."""

    path: Path
    seal: str
    manifest: dict[str, Any]


class _Members:
    """Files on their way into a sealed file, by the name they will have there."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.files: dict[str, Path] = {}
        self.inputs: dict[Path, str] = {}

    def add(self, name: str, source: Path, named: Path | None = None) -> str:
        """Take a file in; ``named`` is what its user calls it, where ``source`` is a copy."""
        if not safe_name(name):
            raise BadValue(
                named or source,
                "a name that not every system can unpack ('{name}')",
                needed='a file name without \\ : * ? " < > | and under 200 letters',
                remedy="Rename the file",
                name=source.name,
            )
        self.files[name] = source
        return name

    def pack(self, source: Path) -> str:
        """A file that a setting names, once however many jobs name it."""
        key = source.resolve()
        if key not in self.inputs:
            self.inputs[key] = self.add(f"inputs/{len(self.inputs) + 1:02d}/{source.name}", source)
        return self.inputs[key]

    def write(self, name: str, text: str) -> None:
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
        self.files[name] = path


def seal(
    path: str | Path,
    captures: Sequence[str | Path],
    jobs: Sequence[Job],
    *,
    statement: Statement | None = None,
    photos: Sequence[str | Path] = (),
    keep_metadata: bool = False,
    key: Key | None = None,
    units: str = "mm",
    overwrite: bool = False,
    progress: Progress = silent,
) -> Sealed:
    """Run the jobs on the captures and write a sealed file at ``path``.

    The same input, version and key give the same bytes. Raises `OutputError` where the file stands already (without
    ``overwrite``) or cannot be written, and all errors of the jobs.
    """
    path, statement = Path(path), statement or Statement()
    if path.exists() and not overwrite:
        raise OutputError(
            path,
            "the file is there already",
            needed="a name that is free",
            remedy="Choose another with {set:out}, or give {set:overwrite}",
        )
    new_folder = not path.parent.exists()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".flatscan-", dir=path.parent) as folder:
            members = _Members(Path(folder))
            taken = _photos(members, photos, keep_metadata)
            manifest, reports = _gather(members, [Path(c) for c in captures], jobs, statement, units, progress)
            manifest["photos"] = taken
            manifest["signed_by"] = None if key is None else key.public
            members.write(README, sealed_page(manifest, reports, units))
            said = _close(members, manifest, key)
            beside = Path(folder) / "beside.zip"
            write_archive(beside, members.files)
            beside.replace(path)
    except OSError as reason:
        raise OutputError(
            path,
            "cannot be written ({reason})",
            needed="a folder that may be written, with room on its disk",
            remedy="Choose another with {set:out}",
            reason=(reason.strerror or str(reason)).lower(),
        ) from reason
    finally:
        if new_folder and path.parent.is_dir() and not any(path.parent.iterdir()):
            path.parent.rmdir()
    return Sealed(path, said, manifest)


def _gather(
    members: _Members, captures: list[Path], jobs: Sequence[Job], statement: Statement, units: str, progress: Progress
) -> tuple[dict[str, Any], list[Report]]:
    """Run every job and describe it; the captures' bytes are hashed from the very copies that are sealed."""
    held = []
    for number, capture in enumerate(captures, 1):
        name = f"captures/{number:02d}/{capture.name}"
        copy = members.folder / name
        if not capture.is_file():
            raise ReadError(capture, "no such file", needed="a capture file", remedy="Check the name and the folder")
        members.add(name, copy, capture)
        copy.parent.mkdir(parents=True)
        shutil.copyfile(capture, copy)
        held.append({"member": name, "file": capture.name, "sha256": digest(copy), "bytes": copy.stat().st_size})
    paths = tuple(members.files[str(one["member"])] for one in held)
    run = [_job(members, number, job, paths, units, progress) for number, job in enumerate(jobs, 1)]
    described = [job for job, _ in run]
    entries = {t.id: t for job in jobs for t in _tolerances(job)}
    members.write(TOLERANCES, dumps(report.tolerance_records(list(entries.values()))))
    texts = relied_on(json.loads(members.files[job["result"]].read_bytes()) for job in described)
    for name in texts:
        members.write(member_of(name), methods.load(name).text)
    manifest = {
        "schema": SCHEMA,
        "kind": KIND,
        "versions": versions(),
        "title": statement.title,
        "date": statement.date,
        "grounds": statement.grounds,
        "present": list(statement.present),
        "notes": list(statement.notes),
        "left_out": list(statement.left_out),
        "captures": held,
        "jobs": described,
        "methods": list(texts),
    }
    return manifest, [told for _, told in run]


def _job(
    members: _Members, number: int, job: Job, paths: tuple[Path, ...], units: str, progress: Progress
) -> tuple[dict[str, Any], Report]:
    """One job run: how it is described in the manifest, and its report."""
    folder = f"results/{number:02d}-{job.command}"
    found = job.run(paths, progress)
    progress(note("stage.sheets"), None)
    written = report.write(found, members.folder / folder, units=units)
    for sheet in written:
        members.add(f"{folder}/{sheet.name}", sheet)
    parts = ("capturing", "testing", "finishing", "comparing", "earlier", "plan")
    settings = {part: to_plain(getattr(job, part), members.pack) for part in parts}
    described = {
        "command": job.command,
        "captures": list(job.captures),
        "units": units,
        "settings": {part: plain for part, plain in settings.items() if plain or part == "capturing"},
        "result": f"{folder}/{written[-1].name}",
    }
    return described, report.report_of(found)


def _tolerances(job: Job) -> list[Any]:
    tests = (job.testing, job.comparing.background, job.comparing.finish)
    return [entry for test in tests if test is not None for entry in test.tolerances]


def _photos(members: _Members, photos: Sequence[str | Path], keep: bool) -> list[dict[str, Any]]:
    described = []
    (members.folder / "photos").mkdir(exist_ok=True)
    for number, photo in enumerate(photos, 1):
        taken: Photo = take_photo(photo, members.folder / "photos" / f"{number:02d}", keep_metadata=keep)
        name = members.add(f"photos/{taken.path.name}", taken.path)
        described.append(
            {
                "member": name,
                "file": taken.name,
                "original_sha256": taken.original_sha256,
                "metadata": "kept" if taken.kept else "stripped",
            }
        )
    return described


def _close(members: _Members, manifest: dict[str, Any], key: Key | None) -> str:
    """Write the manifest over all members, and the seal over the manifest; returns the seal."""
    manifest["members"] = [
        {"name": name, "bytes": source.stat().st_size, "sha256": digest(source)}
        for name, source in sorted(members.files.items())
    ]
    text = dumps(manifest)
    members.write(MANIFEST, text)
    said = hashlib.sha256(text.encode()).hexdigest()
    signature = None if key is None else key.sign(text.encode()).hex()
    members.write(SEAL, dumps(seal_record(said, manifest["signed_by"], signature)))
    return said


def seal_record(said: str, public: str | None, signature: str | None) -> dict[str, Any]:
    """What seal.json holds."""
    return {"manifest_sha256": said, "public_key": public, "signature": signature}


def digest(path: Path) -> str:
    """SHA-256 of a file in hex (FIPS 180-4)."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def dumps(record: Any) -> str:
    """JSON in the one form used in sealed files."""
    return json.dumps(record, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def versions() -> dict[str, str]:
    """Versions of what the numbers come from."""
    found = {"flatscan": __version__, "Python": platform.python_version()}
    return found | {name: version(name) for name in ("numpy", "scipy", "numba")}

"""Trusted time: the request to a time stamping authority, its answer beside the seal, and what the answer proves.

RFC 3161: an authority signs the digest of what it was sent together with its own clock. Here that is the manifest's
SHA-256, the seal. The answer stands in the sealed file and outside the manifest, so a stamp changes no seal. Nothing
is sent: request and answer are files that their user carries.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flatscan.core.errors import BadValue, OutputError, ReadError, unwritten
from flatscan.core.notes import Note, note
from flatscan.evidence.archive import MANIFEST, STAMP, Altered, unpack, write_archive
from flatscan.report.rechecked import Time
from flatscan.report.say import say
from flatscan.report.staging import room_in

SUFFIX = ".tsq"
_SHA256 = "2.16.840.1.101.3.4.2.1"
_NEEDED = "the answer (.tsr) of a time stamping authority to the request made for this seal"
_ASK = "Send the request that {set:time_request} writes once more, and give the answer as it came"


class NoStamp(Exception):
    """An answer that is no time stamp of a manifest; ``problem`` is what is wrong."""

    def __init__(self, problem: Note) -> None:
        self.problem = problem
        super().__init__(problem.code)


@dataclass(frozen=True, slots=True)
class Stamp:
    """What an answer says: the second in UTC, and whose key signed it; ``signed`` is what there is to verify."""

    at: str
    by: str
    signed: Any


def request_for(manifest: bytes) -> bytes:
    """A request (DER) to stamp a manifest; without a nonce, so that the same manifest asks with the same bytes."""
    library = _library()
    asked = library.TimestampRequestBuilder().data(manifest).hash_algorithm(library.HashAlgorithm.SHA256)
    sent: bytes = asked.nonce(nonce=False).cert_request(cert_request=True).build().as_bytes()
    return sent


def stamp_of(answer: bytes, manifest: bytes) -> Stamp:
    """What an answer (DER) states about a manifest, unverified; raises `NoStamp` where it is none of this manifest."""
    read = _read(answer)
    if read.status != 0:
        raise NoStamp(note("stamp.refused", status=read.status))
    try:
        imprint, at = read.tst_info.message_imprint, read.tst_info.gen_time
        signer = _signer(read)
    except (ValueError, AttributeError):
        raise NoStamp(note("stamp.damaged")) from None
    if imprint.hash_algorithm.dotted_string != _SHA256 or imprint.message != hashlib.sha256(manifest).digest():
        raise NoStamp(note("stamp.of-another"))
    return Stamp(f"{at:%Y-%m-%d %H:%M:%S} UTC", signer, read)


def given(path: str | Path, manifest: bytes) -> bytes:
    """The bytes of an answer's file; raises `ReadError` where it cannot be read, `BadValue` where it is no stamp."""
    answer = _bytes_of(path)
    try:
        stamp_of(answer, manifest)
    except NoStamp as wrong:
        raise BadValue(path, "{why}", needed=_NEEDED, remedy=_ASK, why=say(wrong.problem)) from None
    return answer


def write_request(path: Path) -> Path:
    """Write the request for a sealed file's stamp beside it; returns its path and raises `OutputError`."""
    target = path.with_suffix(SUFFIX)
    with _opened(path) as members:
        sent = request_for(members[MANIFEST].read_bytes())
    try:
        with room_in(path.parent) as folder:
            beside = folder / target.name
            beside.write_bytes(sent)
            beside.replace(target)
    except OSError as reason:
        raise _unwritten(target, reason) from None
    return target


def add_answer(path: Path, answer: str | Path) -> Stamp:
    """Put an answer into the sealed file it is for, all else as it stands; returns what it states.

    Raises `ReadError` for an answer that cannot be read, `BadValue` for one that stamps another file.
    """
    with _opened(path) as members, room_in(path.parent) as folder:
        manifest = members[MANIFEST].read_bytes()
        taken, beside = folder / STAMP, folder / path.name
        taken.write_bytes(given(answer, manifest))
        try:
            write_archive(beside, {**members, STAMP: taken})
            beside.replace(path)
        except OSError as reason:
            raise _unwritten(path, reason) from None
        return stamp_of(taken.read_bytes(), manifest)


@contextmanager
def _opened(path: Path) -> Iterator[dict[str, Path]]:
    """The members of a sealed file in a folder of their own."""
    with tempfile.TemporaryDirectory(prefix="flatscan-") as folder:
        try:
            members = unpack(path, Path(folder))
        except Altered as fault:
            raise BadValue(
                path, "{why}", needed="a sealed file as it was made", remedy="Seal it anew", why=say(fault.problem)
            ) from None
        yield members


def _unwritten(path: Path, reason: OSError) -> OutputError:
    return unwritten(path, reason, "Choose another with {set:out}")


def time_of(members: Mapping[str, Path], roots: Sequence[Any] | None) -> tuple[Time, Note | None]:
    """When a sealed file was sealed, as far as its stamp tells, and what is wrong with it.

    ``roots`` are certificates that the checker trusts, None where he named none: then nothing is verified.
    """
    if STAMP not in members:
        return Time(), None if roots is None else note("stamp.none")
    manifest = members[MANIFEST].read_bytes()
    try:
        found = stamp_of(members[STAMP].read_bytes(), manifest)
    except NoStamp as wrong:
        return Time(), wrong.problem
    except ReadError as missing:
        if roots is not None:
            raise
        return Time(trouble=missing), None
    holds = roots is not None and verified(found, manifest, roots)
    fault = None if holds or roots is None else note("stamp.not-by-these", at=found.at, by=found.by)
    return Time(found.at, found.by, verified=holds), fault


def roots_in(path: str | Path) -> Sequence[Any]:
    """Certificates of a PEM or DER file that somebody trusts; raises `ReadError` where it holds none."""
    _library()
    from cryptography import x509

    data = _bytes_of(path)
    try:
        return (
            x509.load_pem_x509_certificates(data) if b"-----BEGIN" in data else [x509.load_der_x509_certificate(data)]
        )
    except ValueError:
        raise ReadError(
            path,
            "it holds no certificate",
            needed="the root certificate of a time stamping authority, PEM or DER",
            remedy="Take it from the authority's own page",
        ) from None


def verified(stamp: Stamp, manifest: bytes, roots: Sequence[Any]) -> bool:
    """Whether the signature holds, and its certificate was issued for time stamps under a root, valid at that second.

    Revocation is not looked up.
    """
    library = _library()
    from rfc3161_client.errors import VerificationError

    trusted = library.VerifierBuilder(roots=list(dict.fromkeys(roots))).build()
    try:
        return bool(trusted.verify(stamp.signed, hashlib.sha256(manifest).digest()))
    except (VerificationError, ValueError):
        return False


def _read(answer: bytes) -> Any:
    library = _library()
    for data in (answer, _in_order(answer)):
        try:
            return library.decode_timestamp_response(data)
        except ValueError:
            continue
    raise NoStamp(note("stamp.damaged"))


def _in_order(answer: bytes) -> bytes:
    """An answer with its certificates in DER's order, which some authorities do not keep; no signature covers it."""
    from asn1crypto import tsp

    try:
        ordered: bytes = tsp.TimeStampResp.load(answer, strict=True).dump(force=True)
    except (ValueError, TypeError, KeyError):
        return b""
    return ordered


def _signer(read: Any) -> str:
    """The subject of the certificate that signed, or of who issued it where the answer does not hold it."""
    from cryptography import x509

    infos = list(read.signed_data.signer_infos)
    if len(infos) != 1:
        raise NoStamp(note("stamp.damaged"))
    for data in read.signed_data.certificates:
        certificate = x509.load_der_x509_certificate(data)
        if (certificate.issuer, certificate.serial_number) == (infos[0].issuer, infos[0].serial_number):
            return str(certificate.subject.rfc4514_string())
    raise NoStamp(note("stamp.no-certificate"))


def _bytes_of(path: str | Path) -> bytes:
    try:
        return Path(path).read_bytes()
    except OSError as reason:
        raise ReadError(
            path,
            "it cannot be read ({reason})",
            needed="a file",
            remedy="Check the name and the folder",
            reason=str(reason.strerror),
        ) from None


def _library() -> Any:
    try:
        import asn1crypto.tsp  # noqa: F401
        import rfc3161_client
    except ImportError:
        raise ReadError(
            "time stamp",
            "the library for time stamps is not installed",
            needed="it, to ask for a time stamp or to read one",
            remedy="Install it with: pip install 'flatscan[sign]'",
        ) from None
    return rfc3161_client

"""The machine's own certificate: a root that a phone trusts once, held to this network, and what it signs."""

from __future__ import annotations

import hashlib
import ipaddress
import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flatscan.desk.devices import keep_secret

if TYPE_CHECKING:
    from cryptography.x509 import Certificate, GeneralName

FOLDER = "https"
# networks that are nobody's in particular: private ones, this machine, a cable without a server, carriers' own
# (RFC 1918, RFC 1122, RFC 3927, RFC 6598); for other names and addresses the root is worth nothing (RFC 5280, 4.2.1.10)
_NETWORKS = ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "127.0.0.0/8", "169.254.0.0/16", "100.64.0.0/10")
_DOMAINS = ("localhost", "local")
# phones take no server's certificate of longer than 825 days from a root of one's own, and some browsers 398
_ROOT_LASTS, _LEAF_LASTS, _RENEW = timedelta(days=3650), timedelta(days=397), timedelta(days=30)


@dataclass(frozen=True, slots=True)
class Identity:
    """What the page is served with: the root's file, its SHA-256 as hex pairs, and the context of TLS."""

    root: Path
    fingerprint: str
    context: ssl.SSLContext


def identity(folder: Path, names: Sequence[str]) -> Identity:
    """The certificates beside the walls, made or renewed where they do not serve all ``names`` (hosts, addresses).

    The root stays as it is, so that phones need not be told again, but where this machine got an address that is no
    private one: such a root is good for that single address beside those of `_NETWORKS`. Raises `OutputError` where
    nothing can be written.
    """
    from cryptography import x509
    from cryptography.hazmat.primitives.serialization import Encoding, load_pem_private_key

    place = folder / FOLDER
    paths = {name: place / name for name in ("root.pem", "root.key", "server.pem", "server.key")}
    if not (paths["root.key"].is_file() and _permits(paths["root.pem"], names)):
        _make_root(paths["root.pem"], paths["root.key"], names)
    root = x509.load_pem_x509_certificate(paths["root.pem"].read_bytes())
    if not _serves(paths["server.pem"], names, root):
        key = load_pem_private_key(paths["root.key"].read_bytes(), None)
        _make_leaf(paths["server.pem"], paths["server.key"], names, root, key)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.load_cert_chain(paths["server.pem"], paths["server.key"])
    digest = hashlib.sha256(root.public_bytes(Encoding.DER)).hexdigest().upper()
    return Identity(paths["root.pem"], " ".join(digest[k : k + 2] for k in range(0, len(digest), 2)), context)


def _general(name: str) -> GeneralName:
    from cryptography import x509

    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _permitted(names: Sequence[str]) -> list[Any]:
    """What a root made now may sign for: private networks, their names, and an address of another kind that it has."""
    from cryptography import x509

    networks = [ipaddress.ip_network(one) for one in _NETWORKS]
    addresses = [one.value for one in map(_general, names) if isinstance(one, x509.IPAddress)]
    networks += [ipaddress.ip_network(one) for one in addresses if not any(one in net for net in networks)]
    return [*(x509.IPAddress(one) for one in networks), *(x509.DNSName(one) for one in _DOMAINS)]


def _permits(path: Path, names: Sequence[str]) -> bool:
    from cryptography import x509

    try:
        root = x509.load_pem_x509_certificate(path.read_bytes())
        held = root.extensions.get_extension_for_class(x509.NameConstraints).value
    except Exception:
        # none there, or damaged: one is made
        return False
    lasts = root.not_valid_after_utc > datetime.now(UTC) + _LEAF_LASTS
    return lasts and set(held.permitted_subtrees or ()) >= set(_permitted(names))


def _make_root(cert: Path, key: Path, names: Sequence[str]) -> None:
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric import ec

    secret = ec.generate_private_key(ec.SECP256R1())
    name = _named("flatscan, walls on this machine")
    made = _builder(name, name, secret.public_key(), _ROOT_LASTS)
    made = made.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
    made = made.add_extension(_usage(signs=True), critical=True)
    made = made.add_extension(x509.NameConstraints(_permitted(names), None), critical=True)
    made = made.add_extension(x509.SubjectKeyIdentifier.from_public_key(secret.public_key()), critical=False)
    _keep(cert, key, made, secret, secret)


def _make_leaf(cert: Path, key: Path, names: Sequence[str], root: Certificate, root_key: Any) -> None:
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric import ec

    secret = ec.generate_private_key(ec.SECP256R1())
    made = _builder(_named("flatscan desk"), root.subject, secret.public_key(), _LEAF_LASTS)
    made = made.add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
    made = made.add_extension(_usage(signs=False), critical=True)
    made = made.add_extension(x509.ExtendedKeyUsage([x509.ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
    made = made.add_extension(x509.SubjectAlternativeName([_general(name) for name in names]), critical=False)
    of = x509.AuthorityKeyIdentifier.from_issuer_public_key(root_key.public_key())
    _keep(cert, key, made.add_extension(of, critical=False), secret, root_key)


def _named(text: str) -> Any:
    from cryptography import x509

    return x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, text)])


def _builder(subject: Any, issuer: Any, public: Any, lasts: timedelta) -> Any:
    from cryptography import x509

    now = datetime.now(UTC)
    made = x509.CertificateBuilder().subject_name(subject).issuer_name(issuer).public_key(public)
    made = made.serial_number(x509.random_serial_number())
    # a phone's clock may be behind
    return made.not_valid_before(now - timedelta(days=1)).not_valid_after(now - timedelta(days=1) + lasts)


def _usage(*, signs: bool) -> Any:
    from cryptography import x509

    others = dict.fromkeys(
        ("content_commitment", "key_encipherment", "data_encipherment", "key_agreement", "encipher_only"), False
    )
    return x509.KeyUsage(
        digital_signature=not signs, key_cert_sign=signs, crl_sign=signs, decipher_only=False, **others
    )


def _keep(cert: Path, key: Path, made: Any, secret: Any, signer: Any) -> None:
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    signed = made.sign(signer, hashes.SHA256())
    keep_secret(key, secret.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    keep_secret(cert, signed.public_bytes(Encoding.PEM))


def _serves(path: Path, names: Sequence[str], root: Certificate) -> bool:
    """Whether a server's certificate is of this root, has all names and lasts for a while."""
    from cryptography import x509

    try:
        held = x509.load_pem_x509_certificate(path.read_bytes())
        there = held.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        held.verify_directly_issued_by(root)
    except Exception:
        # none there, damaged, or of another root: one is made
        return False
    return set(there) >= {_general(name) for name in names} and held.not_valid_after_utc > datetime.now(UTC) + _RENEW

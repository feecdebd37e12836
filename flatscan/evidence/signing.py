"""Keys and signatures: Ed25519 (RFC 8032) by the cryptography library, which is asked for when it is needed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flatscan.core.errors import BadValue, ReadError

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

"""Trusted time: requests and answers against openssl's own time stamping authority (RFC 3161), and forged ones."""

import datetime
import hashlib
import re
import shutil
import subprocess
import zipfile

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

from flatscan.cli import run
from flatscan.core.errors import BadValue, ReadError
from flatscan.evidence import recheck, stamp
from flatscan.evidence.archive import MANIFEST, STAMP, unpack, write_archive
from flatscan.report import say
from flatscan.report.rechecked import recheck_record, recheck_text

NOW = datetime.datetime.now(datetime.UTC)
YEAR = datetime.timedelta(days=365)
CONFIG = """
[tsa]
default_tsa = office
[office]
serial = serial
signer_digest = sha256
default_policy = 1.2.3.4
digests = sha256, sha512
accuracy = secs:1
ess_cert_id_alg = sha256
"""
pytestmark = pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl plays the authority")


class Authority:
    """A root, a certificate for time stamps under it, and openssl to answer requests with them."""

    def __init__(self, folder, name, *, root=(-YEAR, YEAR), leaf=(-YEAR, YEAR)):
        self.folder = folder / name
        self.folder.mkdir()
        (self.folder / "ts.cnf").write_text(CONFIG)
        (self.folder / "serial").write_text("01\n")
        self.root_key, key = (ec.generate_private_key(ec.SECP256R1()) for _ in range(2))
        whose = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, f"{name} root")])
        self.root = _certificate(whose, whose, self.root_key, self.root_key, root, root=True)
        subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, f"{name} clock")])
        signer = _certificate(subject, whose, key, self.root_key, leaf, root=False)
        for file, certificate in (("root.pem", self.root), ("signer.pem", signer)):
            (self.folder / file).write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
        plain = (serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
        (self.folder / "key.pem").write_bytes(key.private_bytes(*plain))

    def answer(self, request, *, chain=False):
        (self.folder / "in.tsq").write_bytes(request)
        more = ["-chain", "root.pem"] if chain else []
        keys = ["-signer", "signer.pem", "-inkey", "key.pem"]
        _openssl(
            self.folder, "ts", "-reply", "-config", "ts.cnf", "-queryfile", "in.tsq", *keys, *more, "-out", "a.tsr"
        )
        return (self.folder / "a.tsr").read_bytes()


def _certificate(subject, issuer, key, by, span, *, root):
    made = x509.CertificateBuilder(issuer, subject, key.public_key(), x509.random_serial_number())
    made = made.not_valid_before(NOW + span[0]).not_valid_after(NOW + span[1])
    made = made.add_extension(x509.BasicConstraints(ca=root, path_length=None), critical=True)
    if not root:
        use = x509.ExtendedKeyUsage([x509.ExtendedKeyUsageOID.TIME_STAMPING])
        made = made.add_extension(use, critical=True)
    return made.sign(by, hashes.SHA256())


def _openssl(folder, *words):
    done = subprocess.run(["openssl", *words], check=False, cwd=folder, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def authority(tmp_path_factory):
    return Authority(tmp_path_factory.mktemp("time"), "office")


@pytest.fixture(scope="module")
def manifest(plain):
    with zipfile.ZipFile(plain.path) as archive:
        return archive.read(MANIFEST)


@pytest.fixture(scope="module")
def answer(authority, manifest):
    return authority.answer(stamp.request_for(manifest))


@pytest.fixture
def copy(plain, tmp_path):
    return shutil.copy(plain.path, tmp_path / "hall.zip")


def test_the_request_asks_for_the_seal(plain, authority, manifest):
    sent = stamp.request_for(manifest)
    assert sent == stamp.request_for(manifest)
    (authority.folder / "q.tsq").write_bytes(sent)
    text = _openssl(authority.folder, "ts", "-query", "-in", "q.tsq", "-text")
    asked = "".join(re.findall(r"(?m)^    [0-9a-f]{4} - ((?:[0-9a-f]{2}[ -]){16})", text))
    assert re.sub("[ -]", "", asked) == plain.seal == hashlib.sha256(manifest).hexdigest()
    assert "sha256" in text
    assert "Nonce: unspecified" in text
    assert "Certificate required: yes" in text


def test_an_answer_stands_outside_the_seal(plain, copy, authority, answer, tmp_path):
    (tmp_path / "a.tsr").write_bytes(answer)
    found = stamp.add_answer(copy, tmp_path / "a.tsr")
    assert found.by == "CN=office clock"
    assert abs((datetime.datetime.strptime(found.at, "%Y-%m-%d %H:%M:%S %Z") - NOW.replace(tzinfo=None)).days) <= 1
    with zipfile.ZipFile(copy) as archive:
        archive.extract(STAMP, authority.folder)
        archive.extract(MANIFEST, authority.folder)
    # the same says the other program
    checked = _openssl(authority.folder, "ts", "-verify", "-in", STAMP, "-data", MANIFEST, "-CAfile", "root.pem")
    assert "OK" in checked
    bare = recheck(copy)
    assert (bare.status, bare.seal, bare.time.at, bare.time.verified) == ("same", plain.seal, found.at, False)
    assert "not verified" in recheck_text(bare, every=False)
    trusted = recheck(copy, roots=stamp.roots_in(authority.folder / "root.pem"))
    assert (trusted.status, trusted.time.verified) == ("same", True)
    assert f"sealed before {found.at}" in recheck_text(trusted, every=False)
    assert recheck_record(trusted)["time"]["verified"] is True


def test_without_a_stamp_the_clock_is_that_of_the_machine(plain, manifest, authority, tmp_path):
    members = unpack(plain.path, tmp_path / "open")
    when, wrong = stamp.time_of(members, None)
    assert wrong is None
    assert say(when.said).startswith("Time: the clock of the machine that sealed")
    when, wrong = stamp.time_of(members, [authority.root])
    assert not when.verified
    assert say(wrong) == "it holds no time stamp"


def test_certificates_in_any_order_are_read(authority, manifest, tmp_path):
    """openssl puts a chain's certificates in the order given, which is DER's order in every second case."""
    for one in (authority, Authority(tmp_path, "second"), Authority(tmp_path, "third")):
        found = stamp.stamp_of(one.answer(stamp.request_for(manifest), chain=True), manifest)
        assert stamp.verified(found, manifest, [one.root])


UNTRUSTED = {
    "another root": {},
    "root over before it": {"root": (-2 * YEAR, -YEAR)},
    "certificate over before it": {"leaf": (-YEAR, -YEAR / 2)},
    "certificate not yet begun": {"leaf": (YEAR / 2, YEAR)},
    "root not yet begun": {"root": (YEAR / 2, YEAR)},
}


@pytest.mark.parametrize("case", UNTRUSTED)
def test_who_is_not_trusted_verifies_nothing(case, authority, manifest, tmp_path):
    other = Authority(tmp_path, "other", **UNTRUSTED[case])
    given = tmp_path / STAMP
    given.write_bytes(other.answer(stamp.request_for(manifest)))
    (tmp_path / MANIFEST).write_bytes(manifest)
    roots = [authority.root] if case == "another root" else [other.root]
    when, wrong = stamp.time_of({MANIFEST: tmp_path / MANIFEST, STAMP: given}, roots)
    assert not when.verified
    assert wrong.code == "stamp.not-by-these"
    assert "does not hold under the root certificates given" in say(wrong)


def test_a_signature_changed_verifies_nothing(authority, answer, manifest):
    changed = bytearray(answer)
    changed[-1] ^= 1
    try:
        found = stamp.stamp_of(bytes(changed), manifest)
    except stamp.NoStamp:
        return
    assert not stamp.verified(found, manifest, [authority.root])


def _refused(authority, manifest):
    """An answer to a request that is cut off."""
    return authority.answer(stamp.request_for(manifest)[:-6])


ODD = {
    "of other bytes": lambda authority, answer, manifest: authority.answer(stamp.request_for(manifest + b" ")),
    "cut off": lambda authority, answer, manifest: answer[:-40],
    "cut in its head": lambda authority, answer, manifest: answer[:9],
    "empty": lambda authority, answer, manifest: b"",
    "with more behind": lambda authority, answer, manifest: answer + b"\0",
    "no answer at all": lambda authority, answer, manifest: b"<html>payment required</html>",
    "the request itself": lambda authority, answer, manifest: stamp.request_for(manifest),
    "refused": lambda authority, answer, manifest: _refused(authority, manifest),
}


@pytest.mark.parametrize("case", ODD)
def test_an_odd_answer_is_refused_and_found(case, authority, answer, manifest, copy, tmp_path):
    odd = tmp_path / "odd.tsr"
    odd.write_bytes(ODD[case](authority, answer, manifest))
    before = copy.read_bytes()
    with pytest.raises(BadValue, match="time stamp|refused") as wrong:
        stamp.add_answer(copy, odd)
    assert str(odd) in str(wrong.value)
    assert copy.read_bytes() == before
    # put in by hand it is no sealed file any more
    members = {**unpack(copy, tmp_path / "open"), STAMP: odd}
    write_archive(copy, members)
    found = recheck(copy)
    assert found.status == "altered"
    assert len(found.problems) == 1


def test_request_and_answer_on_the_command_line(copy, authority, tmp_path, capsys):
    assert run(["evidence", str(copy), "--time-request"]) == 0
    request = copy.with_suffix(".tsq")
    assert str(request) in capsys.readouterr().err
    (tmp_path / "a.tsr").write_bytes(authority.answer(request.read_bytes()))
    assert run(["evidence", str(copy), "--time-response", str(tmp_path / "a.tsr"), "--json"]) == 0
    out = capsys.readouterr().out
    assert '"by": "CN=office clock"' in out
    assert run(["recheck", str(copy), "--time-roots", str(authority.folder / "root.pem")]) == 0
    assert "Time: sealed before" in capsys.readouterr().err
    assert run(["evidence", str(copy), "--time-response", str(request)]) == 1
    assert "cut off or damaged" in capsys.readouterr().err


def test_what_is_no_certificate_is_named(tmp_path):
    (tmp_path / "root.pem").write_text("-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n")
    with pytest.raises(ReadError, match="it holds no certificate"):
        stamp.roots_in(tmp_path / "root.pem")
    with pytest.raises(ReadError, match="it cannot be read"):
        stamp.roots_in(tmp_path / "none.pem")

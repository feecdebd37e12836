"""Devices let in once and known after a restart, put out one by one; and the certificate that a phone trusts once."""

import re
import socket
import ssl
import stat
import urllib.request
from contextlib import ExitStack

import pytest

from flatscan.core.errors import ReadError
from flatscan.desk import make_app
from flatscan.desk.devices import CODE_LASTS, NAME, Devices

HOST = "http://127.0.0.1:8765"
OUTSIDE = "http://192.168.7.9:8765"


@pytest.fixture
def shared(tmp_path):
    """The application as `desk --share` makes it, and a browser of somebody who is not let in."""
    app = make_app(tmp_path, token="t", hosts=["127.0.0.1:8765", "192.168.7.9:8765"], outside=OUTSIDE)
    yield app
    app.extensions["flatscan-desk"].bench.close()


def own_browser(app):
    browser = app.test_client()
    browser.get("/?token=t", base_url=HOST)
    return browser


def code_on(page):
    return re.search(r"/pair\?code=([\w-]+)", page.text)[1]


def let_in(app, code, device="Ann's phone"):
    phone = app.test_client()
    fields = {"code": code, "device": device}
    return phone, phone.post("/pair", data=fields, base_url=OUTSIDE, headers={"Origin": OUTSIDE})


def test_a_phone_is_let_in_by_the_code_on_the_page_and_known_after_a_restart(shared, tmp_path):
    page = own_browser(shared).get("/phones", base_url=HOST)
    assert 'class="code"' in page.text
    phone, answer = let_in(shared, code_on(page))
    assert (answer.status_code, answer.location) == (303, "/")
    assert phone.get("/", base_url=OUTSIDE).status_code == 200
    again = make_app(tmp_path, token="another", hosts=["192.168.7.9:8765"], outside=OUTSIDE)
    name, _, secret = answer.headers["Set-Cookie"].partition(";")[0].partition("=")
    same = again.test_client()
    same.set_cookie(name, secret, domain="192.168.7.9")
    assert same.get("/", base_url=OUTSIDE).status_code == 200
    again.extensions["flatscan-desk"].bench.close()


def test_a_code_lets_one_phone_in_and_looking_uses_nothing_up(shared):
    code = code_on(own_browser(shared).get("/phones", base_url=HOST))
    for _ in range(3):
        # as a camera that looks ahead does
        assert "Whose phone is it?" in shared.test_client().get(f"/pair?code={code}", base_url=OUTSIDE).text
    assert let_in(shared, code)[1].status_code == 303
    second, answer = let_in(shared, code)
    assert answer.status_code == 403
    assert "lets nobody in any more" in answer.text
    assert second.get("/", base_url=OUTSIDE).status_code == 401


def test_a_code_is_good_for_ten_minutes(tmp_path, monkeypatch):
    devices, now = Devices(tmp_path), [1000.0]
    monkeypatch.setattr("flatscan.desk.devices.time.monotonic", lambda: now[0])
    code = devices.new_code()
    now[0] += CODE_LASTS - 1
    assert devices.is_code(code)
    now[0] += 2
    assert not devices.is_code(code)
    assert not devices.use(code)
    assert not devices.use("")


def test_who_is_put_out_sees_nothing_more_and_the_others_do(shared):
    own = own_browser(shared)
    phones = [let_in(shared, code_on(own.get("/phones", base_url=HOST)), name)[0] for name in ("left", "right")]
    page = own.get("/phones", base_url=HOST).text
    mark = re.search(r'value="(\w+)" aria-label="Put out left', page)[1]
    own.post("/phones", data={"remove": mark}, base_url=HOST, headers={"Origin": HOST})
    assert [phone.get("/", base_url=OUTSIDE).status_code for phone in phones] == [401, 200]
    assert "left" not in own.get("/phones", base_url=HOST).text


def test_the_file_of_devices_is_its_owners_and_holds_no_secret(shared, tmp_path):
    code = code_on(own_browser(shared).get("/phones", base_url=HOST))
    cookie = let_in(shared, code)[1].headers["Set-Cookie"]
    path = tmp_path / NAME
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    secret = re.search(r"=\w+\.([\w-]{43})", cookie)[1]
    assert secret not in path.read_text()
    assert "Ann's phone" in path.read_text()


def test_the_name_of_a_device_is_text_and_nothing_else(shared):
    own = own_browser(shared)
    let_in(shared, code_on(own.get("/phones", base_url=HOST)), "<b>\n\0" + "x" * 90)
    page = own.get("/phones", base_url=HOST).text
    assert "&lt;b&gt;xxx" in page
    assert "x" * 41 not in page


@pytest.mark.parametrize("text", ["", "{", "[]", '{"schema": 2, "desk": "a"}', '{"schema": 1, "devices": [1]}'])
def test_a_damaged_file_of_devices_is_said_and_nobody_is_let_in(tmp_path, text):
    (tmp_path / NAME).write_text(text)
    with pytest.raises(ReadError, match="cannot be read"):
        Devices(tmp_path)


def test_not_shared_there_is_no_code(client):
    page = client.get("/phones").text
    assert 'class="code"' not in page
    assert "Only this machine" in page


def root_of(folder):
    return folder / "https" / "root.pem"


def test_the_root_stays_and_what_it_signs_follows_the_addresses(tmp_path):
    certificates = pytest.importorskip("flatscan.desk.certificates")
    x509 = pytest.importorskip("cryptography.x509")

    def names():
        held = x509.load_pem_x509_certificate((tmp_path / "https" / "server.pem").read_bytes())
        there = held.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        return {str(one.value) for one in there}, held.serial_number

    first = certificates.identity(tmp_path, ["192.168.7.9", "localhost"])
    kept = names()
    again = certificates.identity(tmp_path, ["localhost"])
    assert names() == kept
    moved = certificates.identity(tmp_path, ["192.168.7.10", "mason.local"])
    assert names()[0] == {"192.168.7.10", "mason.local"}
    assert first.fingerprint == again.fingerprint == moved.fingerprint
    # an address that is no private one was not foreseen by the root: a new one is made, for it alone
    assert certificates.identity(tmp_path, ["203.0.113.5"]).fingerprint != first.fingerprint
    for path in (tmp_path / "https").iterdir():
        assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_the_root_is_worth_nothing_for_other_sites(tmp_path):
    certificates = pytest.importorskip("flatscan.desk.certificates")
    x509 = pytest.importorskip("cryptography.x509")
    from cryptography.x509 import verification

    root = None
    for name, good in (("mason.local", True), ("example.com", False)):
        certificates.identity(tmp_path, [name])
        root = root or x509.load_pem_x509_certificate(root_of(tmp_path).read_bytes())
        leaf = x509.load_pem_x509_certificate((tmp_path / "https" / "server.pem").read_bytes())
        verifier = verification.PolicyBuilder().store(verification.Store([root]))
        verifier = verifier.build_server_verifier(x509.DNSName(name))
        if good:
            assert verifier.verify(leaf, [])[-1] == root
        else:
            with pytest.raises(verification.VerificationError):
                verifier.verify(leaf, [])


def test_served_by_tls_one_who_says_nothing_keeps_nobody_waiting(served_by_tls):
    context = ssl.create_default_context(cafile=str(root_of(served_by_tls.folder)))
    address = re.search(r"https://([\d.]+):", served_by_tls.base)[1]
    with ExitStack() as silent:
        for _ in range(5):
            silent.enter_context(socket.create_connection((address, served_by_tls.port), timeout=5))
        for _ in range(3):
            with urllib.request.urlopen(f"{served_by_tls.base}app.webmanifest", timeout=5, context=context) as answer:
                assert answer.status == 200


def test_served_by_tls_what_is_sent_arrives_whole(served_by_tls):
    """A scan of 20 MB up, and what is made of it is found in the folder byte for byte."""
    context = ssl.create_default_context(cafile=str(root_of(served_by_tls.folder)))
    opener = urllib.request.build_opener(
        urllib.request.HTTPSHandler(context=context), urllib.request.HTTPCookieProcessor()
    )
    opener.open(served_by_tls.url, timeout=30).read()
    scan = b"x y z\n" + b"0.123456789 0.25 1.5\n" * 1_000_000
    head = b'--b\r\nContent-Disposition: form-data; name="kind"\r\n\r\nscan\r\n'
    head += b'--b\r\nContent-Disposition: form-data; name="capture"; filename="a.xyz"\r\n\r\n'
    sent = urllib.request.Request(
        f"{served_by_tls.base}new",
        head + scan + b"\r\n--b--\r\n",
        {"Content-Type": "multipart/form-data; boundary=b", "Origin": served_by_tls.base.rstrip("/")},
    )
    opener.open(sent, timeout=60).close()
    assert (served_by_tls.folder / "wall-001" / "capture.xyz").read_bytes() == scan

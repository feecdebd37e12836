"""What is refused is refused by its head: no part of a long body is taken in."""

import socket
from http.client import HTTPConnection

import pytest

BODY = 300_000_000


@pytest.fixture
def knock(served):
    """Send the head of a request with a long body and 1 MB of that; gives what was answered."""

    def send(head, host=None):
        with socket.create_connection(("127.0.0.1", served.port), timeout=20) as line:
            name = host or f"127.0.0.1:{served.port}"
            line.sendall(f"POST /new HTTP/1.1\r\nHost: {name}\r\n{head}\r\n\r\n".encode())
            return line.makefile("rb").read(400).decode("latin-1")

    send.url = served.url
    send.origin = served.base.rstrip("/")
    # let in by the address that was printed, as a browser is
    line = HTTPConnection("127.0.0.1", served.port, timeout=20)
    line.request("GET", served.url.removeprefix(send.origin))
    send.cookie = line.getresponse().getheader("Set-Cookie").partition(";")[0]
    line.close()
    return send


def test_a_stranger_is_refused_before_he_has_sent_anything(knock):
    # the answer is there although not one byte of the body was sent
    said = knock(f"Origin: {knock.origin}\r\nContent-Length: {BODY}")
    assert said.startswith("HTTP/1.1 401 ")
    assert "text/html" in said


@pytest.mark.parametrize(
    ("head", "host", "code"),
    [
        ("Cookie: {cookie}\r\nOrigin: http://attacker.example\r\nContent-Length: 300000000", None, 403),
        ("Cookie: {cookie}\r\nContent-Length: 300000000", None, 403),
        ("Cookie: {cookie}\r\nOrigin: {origin}\r\nContent-Length: 300000000", "attacker.example", 421),
        ("Cookie: {cookie}x\r\nOrigin: {origin}\r\nTransfer-Encoding: chunked", None, 401),
        ("Cookie: {cookie}\r\nOrigin: {origin}\r\nContent-Length: 4000000001", None, 413),
        ("Cookie: {cookie}\r\nOrigin: {origin}\r\nContent-Length: 40000000000", None, 413),
    ],
)
def test_so_is_everybody_else_who_would_be(knock, head, host, code):
    said = knock(head.format(cookie=knock.cookie, origin=knock.origin), host)
    assert said.startswith(f"HTTP/1.1 {code} "), said


def test_who_is_let_in_is_waited_for(knock):
    with pytest.raises(TimeoutError):
        knock_slowly(knock)


def knock_slowly(knock):
    port = int(knock.origin.rpartition(":")[2])
    with socket.create_connection(("127.0.0.1", port), timeout=1) as line:
        head = f"Cookie: {knock.cookie}\r\nOrigin: {knock.origin}\r\nContent-Length: {BODY}"
        line.sendall(f"POST /new HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n{head}\r\n\r\n".encode() + bytes(200_000))
        line.recv(100)

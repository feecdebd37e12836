"""Serving the page: to this machine, shared with phones on its network, and to them over TLS."""

from __future__ import annotations

import io
import logging
import os
import socket
import webbrowser
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flatscan.core.errors import OutputError, ReadError
from flatscan.desk.app import UPLOAD_LIMIT, make_app, need
from flatscan.desk.certificates import Identity, identity
from flatscan.desk.devices import Devices
from flatscan.desk.door import guard
from flatscan.desk.folders import Jobs
from flatscan.desk.letting_in import new_token
from flatscan.desk.tls_front import Front

if TYPE_CHECKING:
    from flask import Flask

LOOPBACK, EVERY, PORT = "127.0.0.1", "0.0.0.0", 8765  # noqa: S104 - everywhere only where the user asked for it
_THREADS = 8
# a form around the file, and what it holds beside it
_ROOM = 1_000_000
SHARE_WARNING = (
    "Shared: everybody on this network who has the address can see and change your walls, and what goes over the "
    "network is not encrypted. Do this only on a network you trust, and stop it with Ctrl-C when you are done."
)
HTTPS_WARNING = (
    "Shared, and encrypted by this machine's own certificate: a phone has to be told once to trust it. The page "
    "“Phones” says how. Everybody who has the address below can see and change your walls."
)


@dataclass(frozen=True, eq=False)
class _Place:
    """Where the page is served: the socket it is reached by, the names it answers to with their scheme, addresses."""

    listening: socket.socket
    hosts: dict[str, str]
    here: str
    outside: str
    front: Front | None
    known: Identity | None


def serve(
    folder: Path,
    *,
    share: bool = False,
    https: bool = False,
    port: int | None = None,
    browser: bool = True,
    upload_limit: int = UPLOAD_LIMIT,
    say: Callable[[str], None] = print,
    ready: Callable[[str], None] = lambda _address: None,
) -> None:
    """Serve the jobs in ``folder`` until stopped; ``say`` tells the address (and, shared, a code to scan).

    ``https`` shares it too, with TLS by a certificate of this machine's own. ``ready`` is called with the address alone
    once the page can be opened.

    Raises `OutputError` where the port is taken or the folder cannot be written, `ReadError` where a library of the
    extra ``desk`` (or, with ``https``, of the extra ``sign``) is missing.
    """
    waitress = need("waitress")
    segno = need("segno") if share or https else None
    need("flask")
    if https:
        _need_certificates()
    token = new_token()
    devices = Devices(Jobs(folder).folder)
    place = _tls_place(folder, port, devices) if https else _plain_place(port, devices, share=share)
    app = make_app(
        folder,
        token=token,
        hosts=place.hosts,
        devices=devices,
        upload_limit=upload_limit,
        outside=place.outside,
        certificate=place.known,
    )
    # waitress says nothing a plasterer could use
    logging.getLogger("waitress").setLevel(logging.ERROR)
    server = waitress.create_server(
        app,
        sockets=[place.listening],
        threads=_THREADS,
        max_request_body_size=upload_limit + _ROOM,
        ident=None,
        channel_timeout=300,
    )
    guard(server, app)
    url, own = (f"{base}/?token={token}" for base in (place.outside or place.here, place.here))
    if segno is not None:
        say(HTTPS_WARNING if https else SHARE_WARNING)
        say(_code(segno, url))
        say(f"On this machine: {own}")
    ready(url)
    say(f"Open {url}")
    say(f"Walls are kept in {folder.resolve()}. Stop with Ctrl-C: nothing is lost.")
    if browser:
        webbrowser.open(own)
    _run(server, place, app)


def _run(server: Any, place: _Place, app: Flask) -> None:
    try:
        server.run()
    finally:
        if place.front is not None:
            place.front.close()
        server.close()
        app.extensions["flatscan-desk"].bench.close()


def _need_certificates() -> None:
    try:
        need("cryptography")
    except ReadError:
        raise ReadError(
            "{set:https}",
            "the library cryptography is not installed",
            needed="flatscan with its extra sign",
            remedy="Run: pip install 'flatscan[desk,sign]'",
        ) from None


def _plain_place(port: int | None, devices: Devices, *, share: bool) -> _Place:
    listening = _listen(EVERY if share else LOOPBACK, port, _usual(devices))
    at = listening.getsockname()[1]
    devices.had_port(at)
    address = _own_address() if share else LOOPBACK
    names = [LOOPBACK, "localhost", *(_outside_names(address) if share else [])]
    hosts = {f"{name}:{at}": "http" for name in names}
    outside = f"http://{address}:{at}" if share else ""
    return _Place(listening, hosts, f"http://{LOOPBACK}:{at}", outside, None, None)


def _tls_place(folder: Path, port: int | None, devices: Devices) -> _Place:
    """TLS for the network, and beside it plain HTTP that only this machine can reach."""
    address = _own_address()
    names = [*_outside_names(address), LOOPBACK, "localhost"]
    known = identity(folder, names)
    outer = _listen(EVERY, port, _usual(devices))
    at = outer.getsockname()[1]
    devices.had_port(at)
    inner = _listen(LOOPBACK, None, (at + 1,) if at < 65535 else ())
    within = inner.getsockname()[1]
    inner.listen()
    hosts = {f"{name}:{at}": "https" for name in names} | {
        f"{name}:{within}": "http" for name in (LOOPBACK, "localhost")
    }
    front = Front(outer, known.context, within)
    return _Place(inner, hosts, f"http://{LOOPBACK}:{within}", f"https://{address}:{at}", front, known)


def _usual(devices: Devices) -> tuple[int, ...]:
    """The port it had last, before the usual one: what a phone keeps is kept by address and port."""
    return tuple(dict.fromkeys(one for one in (devices.port, PORT) if one))


def _outside_names(address: str) -> list[str]:
    """What this machine is called on its network: its address, and its name where names are told without a server."""
    name = socket.gethostname().partition(".")[0].lower()
    whole = name.isascii() and name.replace("-", "").isalnum() and name != "localhost"
    return [address, *([f"{name}.local"] if whole else [])]


def _listen(host: str, port: int | None, usual: Sequence[int] = (PORT,)) -> socket.socket:
    """A socket on the port asked for; without one on a ``usual`` port, or any free one where those are taken."""
    tries = [*usual, 0] if port is None else [port]
    for number in tries:
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if os.name != "nt":
            # there it would share the port with whoever has it
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((host, number))
            return listener
        except OSError as reason:
            listener.close()
            if number == tries[-1]:
                raise OutputError(
                    "port {number}",
                    "it cannot be listened on ({reason})",
                    needed="a free port",
                    number=number,
                    remedy="Stop what uses it, or give another {set:port}",
                    reason=(reason.strerror or str(reason)).lower(),
                ) from None
    raise AssertionError("no port was tried")


def _own_address() -> str:
    """Address of this machine on the local network; nothing is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # a datagram socket only looks up its route here (192.0.2.0/24 is reserved for documentation, RFC 5737)
            probe.connect(("192.0.2.1", 9))
            return str(probe.getsockname()[0])
        except OSError:
            return LOOPBACK


def _code(segno: object, url: str) -> str:
    """A code to scan with a phone, in signs of a terminal."""
    shown = io.StringIO()
    segno.make(url, micro=False).terminal(shown, compact=True)  # type: ignore[attr-defined]
    return shown.getvalue().rstrip("\n")

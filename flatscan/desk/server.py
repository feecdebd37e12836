"""The server: this machine alone by default, the local network by choice, one secret either way."""

from __future__ import annotations

import logging
import os
import socket
import webbrowser
from collections.abc import Callable
from pathlib import Path

from flatscan.core.errors import OutputError
from flatscan.desk.app import UPLOAD_LIMIT, make_app, need, new_token

LOOPBACK, PORT = "127.0.0.1", 8765
_THREADS = 8
# a form around the file, and what it holds beside it
_ROOM = 1_000_000
SHARE_WARNING = (
    "Shared: everybody on this network who has the address can see and change your walls, and what goes over the "
    "network is not encrypted. Do this only on a network you trust, and stop it with Ctrl-C when you are done."
)


def serve(
    folder: Path,
    *,
    share: bool = False,
    port: int | None = None,
    browser: bool = True,
    upload_limit: int = UPLOAD_LIMIT,
    say: Callable[[str], None] = print,
) -> None:
    """Serve the jobs in ``folder`` until stopped; ``say`` prints the address (and, shared, a code to scan).

    Raises `OutputError` where the port is taken or the folder cannot be written, `ReadError` where a library of the
    extra ``desk`` is missing.
    """
    waitress = need("waitress")
    segno = need("segno") if share else None
    need("flask")
    token = new_token()
    listening = _listen("0.0.0.0" if share else LOOPBACK, port)  # noqa: S104 - only where the user asked for it
    at = listening.getsockname()[1]
    address = _own_address() if share else LOOPBACK
    names = [LOOPBACK, "localhost", *([address] if share else [])]
    app = make_app(folder, token=token, hosts=[f"{name}:{at}" for name in names], port=at, upload_limit=upload_limit)
    # waitress says nothing a plasterer could use
    logging.getLogger("waitress").setLevel(logging.ERROR)
    server = waitress.create_server(
        app,
        sockets=[listening],
        threads=_THREADS,
        max_request_body_size=upload_limit + _ROOM,
        ident=None,
        channel_timeout=300,
    )
    url = f"http://{address}:{at}/?token={token}"
    if segno is not None:
        say(SHARE_WARNING)
        _show_code(segno, url)
    say(f"Open {url}")
    say(f"Walls are kept in {folder.resolve()}. Stop with Ctrl-C: nothing is lost.")
    if browser:
        webbrowser.open(f"http://{LOOPBACK}:{at}/?token={token}")
    try:
        server.run()
    finally:
        server.close()
        app.extensions["flatscan-desk"].bench.close()


def _listen(host: str, port: int | None) -> socket.socket:
    """A socket on the port asked for; without one on the usual port, or any free one where that is taken."""
    tries = [PORT, 0] if port is None else [port]
    for number in tries:
        made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if os.name != "nt":
            # there it would share the port with whoever has it
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            made.bind((host, number))
            return made
        except OSError as reason:
            made.close()
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


def _show_code(segno: object, url: str) -> None:
    code = segno.make(url, micro=False)  # type: ignore[attr-defined]
    code.terminal(compact=True)

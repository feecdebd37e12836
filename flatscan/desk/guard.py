"""Who may use the page: one secret, one host, one origin; and what the browser is told never to do."""

from __future__ import annotations

import secrets
from collections.abc import Collection
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flask import Flask, Response

# one script and one style, both of this machine; nothing else may be fetched, framed, or posted anywhere else
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
_SAFE = {"GET", "HEAD", "OPTIONS"}


def new_token() -> str:
    """A secret nobody can guess: 32 bytes from the operating system."""
    return secrets.token_urlsafe(32)


def cookie_name(port: int) -> str:
    """The cookie's name; browsers share cookies between the ports of a host, so the port is in it."""
    return f"flatscan-{port}"


def install(app: Flask, token: str, hosts: Collection[str], port: int) -> None:
    """Ask every request for host, token and, where it changes something, its origin; harden every answer."""
    from flask import abort, redirect, request

    allowed, name = frozenset(host.lower() for host in hosts), cookie_name(port)

    def admit() -> Any:
        # another name for this machine (a rebound one) is not a name this page answers to
        if request.host.lower() not in allowed:
            abort(HTTPStatus.MISDIRECTED_REQUEST)
        if request.method not in _SAFE and request.headers.get("Origin", "").lower() not in _origins(request.host):
            abort(HTTPStatus.FORBIDDEN, "the request came from another page")
        if request.headers.get("Sec-Fetch-Site", "none") == "cross-site" and request.method not in _SAFE:
            abort(HTTPStatus.FORBIDDEN, "the request came from another page")
        given = request.args.get("token")
        if given is not None and request.method == "GET" and _same(given, token):
            answer = redirect(request.path)
            # session cookie: it goes when the browser goes
            answer.set_cookie(name, token, httponly=True, samesite="Strict", path="/")
            return answer
        if not _same(request.cookies.get(name, ""), token):
            abort(HTTPStatus.UNAUTHORIZED)
        return None

    app.before_request(admit)
    app.after_request(_harden)


def _same(given: str, token: str) -> bool:
    return secrets.compare_digest(given.encode(), token.encode())


def _origins(host: str) -> set[str]:
    return {f"http://{host.lower()}"}


def _harden(answer: Response) -> Response:
    answer.headers.setdefault("Content-Security-Policy", POLICY)
    answer.headers["X-Content-Type-Options"] = "nosniff"
    answer.headers["X-Frame-Options"] = "DENY"
    # not no-referrer: with that, a browser says "null" for the origin of this page's own forms
    answer.headers["Referrer-Policy"] = "same-origin"
    answer.headers["Cross-Origin-Opener-Policy"] = "same-origin"
    answer.headers["Cross-Origin-Resource-Policy"] = "same-origin"
    answer.headers["Cache-Control"] = "no-store"
    answer.headers.pop("Server", None)
    return answer

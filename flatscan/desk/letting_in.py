"""Who is let in: every request is asked for its host, its device and, where it changes something, its origin."""

from __future__ import annotations

import secrets
from collections.abc import Collection, Mapping
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flask import Flask, Response

    from flatscan.desk.devices import Devices

# scripts and styles of this machine only; nothing may be fetched elsewhere, framed, or posted anywhere else
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; "
    "worker-src 'self'; manifest-src 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_SAFE = {"GET", "HEAD", "OPTIONS"}
# what a phone asks for before it is let in: the page that lets it in, and what is the same for everybody
OPEN = {"/pair", "/certificate", "/app.webmanifest", "/icon-192.png", "/icon-512.png", "/static/page.css"}
# as long as browsers keep a cookie at most [s]
_LASTS = 400 * 24 * 3600


def new_token() -> str:
    """A secret nobody can guess: 32 bytes from the operating system."""
    return secrets.token_urlsafe(32)


def install(app: Flask, token: str, hosts: Mapping[str, str] | Collection[str], devices: Devices) -> None:
    """Ask every request; ``hosts`` are the names the page answers to, each with its scheme (http where none is said).

    The ``token`` of this start makes a device of the browser that has it; a device is known by its cookie.
    """
    from flask import abort, g, redirect, request

    schemes = dict(hosts) if isinstance(hosts, Mapping) else dict.fromkeys(hosts, "http")
    schemes = {host.lower(): scheme for host, scheme in schemes.items()}

    def admit() -> Any:
        # another name for this machine (a rebound one) is not a name this page answers to
        scheme = schemes.get(request.host.lower())
        if scheme is None:
            abort(HTTPStatus.MISDIRECTED_REQUEST)
        origin = f"{scheme}://{request.host.lower()}"
        if request.method not in _SAFE and request.headers.get("Origin", "").lower() != origin:
            abort(HTTPStatus.FORBIDDEN, "the request came from another page")
        if request.headers.get("Sec-Fetch-Site", "none") == "cross-site" and request.method not in _SAFE:
            abort(HTTPStatus.FORBIDDEN, "the request came from another page")
        g.device, g.secure = devices.known(request.cookies.get(devices.cookie, "")), scheme == "https"
        given = request.args.get("token")
        if given is not None and request.method == "GET" and _same(given, token):
            answer = redirect(request.path)
            return answer if g.device else welcome(answer, devices, "this machine, or by its address", secure=g.secure)
        if g.device is None and request.path not in OPEN:
            abort(HTTPStatus.UNAUTHORIZED)
        return None

    app.before_request(admit)
    app.after_request(_harden)


def welcome(answer: Any, devices: Devices, name: str, *, secure: bool) -> Any:
    """An answer that makes its browser a device, known after a restart too."""
    cookie = devices.let_in(name)
    answer.set_cookie(devices.cookie, cookie, max_age=_LASTS, httponly=True, samesite="Strict", path="/", secure=secure)
    return answer


def _same(given: str, token: str) -> bool:
    return secrets.compare_digest(given.encode(), token.encode())


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

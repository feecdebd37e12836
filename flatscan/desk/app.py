"""The page's application: who is let in, its addresses and files, and how a failure is told."""

from __future__ import annotations

import io
import logging
import os
import secrets
import socket
import webbrowser
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from functools import partial
from http import HTTPStatus
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

from flatscan.core.errors import FlatscanError, OutputError, ReadError
from flatscan.desk import screens
from flatscan.desk.answering import in_four_parts
from flatscan.desk.bench import Bench
from flatscan.desk.crew import Stopped
from flatscan.desk.door import guard
from flatscan.desk.folders import Job, Jobs, NoWall, OtherTab
from flatscan.report.page import SCRIPTS

if TYPE_CHECKING:
    from flask import Flask, Response

_LOG = logging.getLogger(__name__)
UPLOAD_LIMIT = 4_000_000_000
_PAGES = Path(__file__).parent / "pages"
_SHEETS_PAGE = Path(__file__).parent.parent / "report" / "page"
_TYPES = {"css": "text/css", "js": "text/javascript"}
# address: the files it is made of; the drawing's scripts are those of the sheet one can send
_FILES = {
    "page.css": [_SHEETS_PAGE / "page.css", _PAGES / "desk.css"],
    "desk.js": [_PAGES / "desk.js"],
    "keeping.js": [_PAGES / "keeping.js"],
    "readings.js": [_PAGES / "readings.js"],
    "wall.js": [_SHEETS_PAGE / name for name in SCRIPTS],
    "answers.js": [_PAGES / "answers.js"],
}
# one script and one style, both of this machine; nothing else may be fetched, framed, or posted anywhere else
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
_SAFE = {"GET", "HEAD", "OPTIONS"}
_SAID = {
    HTTPStatus.UNAUTHORIZED: "Open this page by the address the program printed when it was started: the secret in it "
    "lets you in. After a restart there is a new one. Nothing that was saved is lost.",
    HTTPStatus.FORBIDDEN: "That did not come from this page, so it was not done.",
    HTTPStatus.NOT_FOUND: "There is nothing at this address.",
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE: "The file is larger than this page takes. Export it thinner, or start with a "
    "larger --upload-limit.",
    HTTPStatus.MISDIRECTED_REQUEST: "This page does not answer to that name. Use the address the program printed.",
}


def need(module: str) -> ModuleType:
    """A library of the extra ``desk``, imported; raises `ReadError` with the command that installs it."""
    try:
        return import_module(module)
    except ImportError as reason:
        raise ReadError(
            "flatscan desk",
            "the library {module} is not installed ({reason})",
            needed="flatscan with its extra desk",
            remedy="Run: pip install 'flatscan[desk]'",
            module=module,
            reason=str(reason),
        ) from None


@dataclass(eq=False)
class Desk:
    """What all pages share: the jobs and the work."""

    jobs: Jobs
    bench: Bench = field(default_factory=Bench)


def make_app(folder: Path, *, token: str, hosts: Collection[str], port: int, upload_limit: int = UPLOAD_LIMIT) -> Flask:
    """The application over the jobs in ``folder``; only requests for one of ``hosts`` with the ``token`` are served.

    Raises `OutputError` where the folder cannot be written, `ReadError` where Flask is missing.
    """
    from flatscan.desk import stations

    flask = need("flask")
    desk = Desk(Jobs(folder))
    app: Flask = flask.Flask(
        "flatscan.desk", root_path=str(Path(__file__).parent), static_folder=None, template_folder="pages"
    )
    app.config.update(MAX_CONTENT_LENGTH=upload_limit, MAX_FORM_MEMORY_SIZE=1_000_000, MAX_FORM_PARTS=500)
    app.extensions["flatscan-desk"] = desk
    _templates(app)
    _install_guard(app, token, hosts, port)
    # what was uploaded lies in a temporary file until this lets go of it
    app.teardown_request(lambda _: flask.request.close())
    stations.heal(desk.jobs)
    _routes(app, desk)
    app.register_error_handler(FlatscanError, partial(_trouble, desk))
    app.register_error_handler(Stopped, partial(screens.stopped, desk))
    app.register_error_handler(Exception, _failure)
    return app


def _templates(app: Flask) -> None:
    from jinja2 import ChoiceLoader, FileSystemLoader, StrictUndefined

    app.jinja_loader = ChoiceLoader([FileSystemLoader(_PAGES), FileSystemLoader(_SHEETS_PAGE)])
    app.jinja_options = {"undefined": StrictUndefined, "trim_blocks": True, "lstrip_blocks": True}
    # autoescape must not hang on a file's ending: ours end in .j2
    app.jinja_env.autoescape = True
    app.jinja_env.globals["steps_of"] = screens.steps_of


def _routes(app: Flask, desk: Desk) -> None:
    from flatscan.desk import answers, choosing, mending, overview, papers, pricing, sealing, sizing, stations, syncing

    table: dict[str, tuple[Callable[..., Any], str]] = {
        "/": (overview.home, "GET"),
        "/back": (overview.bring_back, "POST"),
        "/wall/<name>/about": (overview.about, "GET POST"),
        "/wall/<name>/prices": (pricing.prices, "GET POST"),
        "/wall/<name>/copy": (overview.copy, "POST"),
        "/wall/<name>/away": (overview.put_away, "POST"),
        "/new": (choosing.new, "POST"),
        "/wall/<name>/": (choosing.go_on, "GET"),
        "/wall/<name>/capture": (choosing.capture, "GET POST"),
        "/wall/<name>/keep": (screens.keep, "POST"),
        "/wall/<name>/state": (screens.state, "GET"),
        "/wall/<name>/stop": (screens.stop, "POST"),
        "/wall/<name>/again": (screens.again, "POST"),
        "/wall/<name>/size": (sizing.size, "GET POST"),
        "/wall/<name>/readings": (stations.readings, "GET POST"),
        "/wall/<name>/reading": (syncing.reading, "POST"),
        "/wall/<name>/wall": (choosing.wall, "GET POST"),
        "/wall/<name>/purpose": (choosing.purpose, "GET POST"),
        "/wall/<name>/questions": (choosing.ask, "GET POST"),
        "/wall/<name>/answers": (answers.answers, "GET POST"),
        "/wall/<name>/fix": (mending.fix, "POST"),
        "/wall/<name>/boxes": (mending.boxes, "POST"),
        "/wall/<name>/cut": (mending.cut, "POST"),
        "/wall/<name>/accept": (mending.accept, "POST"),
        "/wall/<name>/plan": (mending.plan_page, "GET POST"),
        "/wall/<name>/undo": (mending.undo, "POST"),
        "/wall/<name>/redo": (mending.redo, "POST"),
        "/wall/<name>/sheets": (papers.sheets_page, "GET POST"),
        "/wall/<name>/evidence": (sealing.evidence_page, "GET POST"),
        "/wall/<name>/stated": (sealing.stated, "POST"),
        "/wall/<name>/file/<file>": (papers.file, "GET"),
        "/static/<file>": (_file, "GET"),
        "/favicon.ico": (_icon, "GET"),
    }
    for rule, (view, methods) in table.items():
        endpoint = f"{view.__module__.rpartition('.')[2]}.{view.__name__}"
        app.add_url_rule(rule, endpoint, partial(view, desk), methods=methods.split())


def new_token() -> str:
    """A secret nobody can guess: 32 bytes from the operating system."""
    return secrets.token_urlsafe(32)


def cookie_name(port: int) -> str:
    """The cookie's name; browsers share cookies between the ports of a host, so the port is in it."""
    return f"flatscan-{port}"


def _install_guard(app: Flask, token: str, hosts: Collection[str], port: int) -> None:
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


def _icon(_desk: Desk) -> Any:
    """No picture for the browser's tab, said without an error."""
    return "", 204


def _file(_desk: Desk, file: str) -> Any:
    """One of the page's files by its name in a fixed list; a script's parts share one scope of their own."""
    from flask import Response, abort

    if file not in _FILES:
        abort(404)
    text = "".join(path.read_text(encoding="utf-8") for path in _FILES[file])
    if file.endswith(".js"):
        text = f'"use strict";\n(() => {{\n{text}}})();\n'
    return Response(text, mimetype=_TYPES[file.rpartition(".")[2]])


def _wants_json() -> bool:
    from flask import request

    return request.is_json or request.path.endswith(("/state", "/reading", "/cut", "/keep", "/stated"))


def _trouble(desk: Desk, trouble: FlatscanError) -> Any:
    """What could not be done, in four parts; the machine's own folders stay out of it."""
    from flask import jsonify, render_template, request

    job = _job_of(desk, (request.view_args or {}).get("name"))
    parts = in_four_parts(trouble, desk.jobs.folder, "mm" if job is None else job.settings["units"])
    code = HTTPStatus.CONFLICT if isinstance(trouble, OtherTab) else HTTPStatus.UNPROCESSABLE_ENTITY
    if isinstance(trouble, NoWall):
        code = HTTPStatus.NOT_FOUND
    if _wants_json():
        return jsonify(parts), code
    if job is not None and job.broken is not None and request.method == "GET":
        # whatever page was asked for: the plan is put right first
        from flatscan.desk.mending import plan_page

        return plan_page(desk, job.name, trouble)
    # a wall that was not begun has no page of its own
    again = request.path != "/new" and (isinstance(trouble, OtherTab) or request.method == "POST")
    back = request.path if again else None
    return render_template("trouble.html.j2", **parts, job=job, back=back), code


def _job_of(desk: Desk, name: str | None) -> Job | None:
    try:
        return None if name is None else desk.jobs.get(name)
    except FlatscanError:
        return None


def _failure(trouble: Exception) -> Any:
    """Any other failure: its kind in plain words on the page, the rest only in this machine's own log."""
    from flask import jsonify, render_template
    from werkzeug.exceptions import HTTPException

    code = HTTPStatus.INTERNAL_SERVER_ERROR
    if isinstance(trouble, HTTPException) and trouble.code is not None:
        code = HTTPStatus(trouble.code)
    else:
        _LOG.error("a page failed", exc_info=trouble)
    said = _SAID.get(code, "This could not be done. What was saved is safe; go back and try again.")
    if _wants_json():
        return jsonify({"found": said, "needed": "", "remedy": "", "where": ""}), code
    return render_template("failure.html.j2", said=said, code=int(code)), code


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
    ready: Callable[[str], None] = lambda _address: None,
) -> None:
    """Serve the jobs in ``folder`` until stopped; ``say`` tells the address (and, shared, a code to scan).

    ``ready`` is called with the address alone once the page can be opened.

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
    guard(server, app)
    url = f"http://{address}:{at}/?token={token}"
    if segno is not None:
        say(SHARE_WARNING)
        say(_code(segno, url))
    ready(url)
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

"""The page's application: what it holds, its addresses, and how a failure is told."""

from __future__ import annotations

import logging
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from functools import partial
from http import HTTPStatus
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

from flatscan.core.errors import FlatscanError, ReadError
from flatscan.desk import guard, steps
from flatscan.desk.bench import Bench
from flatscan.desk.folders import Job, Jobs, NoWall, OtherTab
from flatscan.desk.wording import plain

if TYPE_CHECKING:
    from flask import Flask

_LOG = logging.getLogger(__name__)
UPLOAD_LIMIT = 4_000_000_000
_PAGES = Path(__file__).parent / "pages"
_SHEETS_PAGE = Path(__file__).parent.parent / "report" / "page"
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
            "flatscan desk", f"the library {module} is not installed ({reason})",
            needed="flatscan with its extra desk", remedy="Run: pip install 'flatscan[desk]'",
        ) from None  # fmt: skip


@dataclass(eq=False)
class Desk:
    """What all pages share: the jobs and the work."""

    jobs: Jobs
    bench: Bench = field(default_factory=Bench)


def make_app(folder: Path, *, token: str, hosts: Collection[str], port: int, upload_limit: int = UPLOAD_LIMIT) -> Flask:
    """The application over the jobs in ``folder``; only requests for one of ``hosts`` with the ``token`` are served.

    Raises `OutputError` where the folder cannot be written, `ReadError` where Flask is missing.
    """
    flask = need("flask")
    desk = Desk(Jobs(folder))
    app: Flask = flask.Flask("flatscan.desk", root_path=str(Path(__file__).parent), static_folder=None,
                             template_folder="pages")  # fmt: skip
    app.config.update(MAX_CONTENT_LENGTH=upload_limit, MAX_FORM_MEMORY_SIZE=1_000_000, MAX_FORM_PARTS=500)
    app.extensions["flatscan-desk"] = desk
    _templates(app)
    guard.install(app, token, hosts, port)
    # what was uploaded lies in a temporary file until this lets go of it
    app.teardown_request(lambda _: flask.request.close())
    _routes(app, desk)
    app.register_error_handler(FlatscanError, partial(_trouble, desk))
    app.register_error_handler(Exception, _failure)
    return app


def _templates(app: Flask) -> None:
    from jinja2 import ChoiceLoader, FileSystemLoader, StrictUndefined

    app.jinja_loader = ChoiceLoader([FileSystemLoader(_PAGES), FileSystemLoader(_SHEETS_PAGE)])
    app.jinja_options = {"undefined": StrictUndefined, "trim_blocks": True, "lstrip_blocks": True}
    # autoescape must not hang on a file's ending: ours end in .j2
    app.jinja_env.autoescape = True
    app.jinja_env.globals["steps_of"] = steps.steps_of


def _routes(app: Flask, desk: Desk) -> None:
    from flatscan.desk import measuring, opening, papers, reading, saving, static

    table: dict[str, tuple[Callable[..., Any], str]] = {
        "/": (opening.home, "GET"), "/new": (opening.new, "POST"), "/wall/<name>/": (opening.go_on, "GET"),
        "/wall/<name>/capture": (opening.capture, "GET POST"),
        "/wall/<name>/keep": (saving.keep, "POST"), "/wall/<name>/state": (saving.state, "GET"),
        "/wall/<name>/size": (reading.size, "GET POST"), "/wall/<name>/readings": (reading.readings, "GET POST"),
        "/wall/<name>/reading": (reading.one, "POST"),
        "/wall/<name>/wall": (measuring.wall, "GET POST"), "/wall/<name>/purpose": (measuring.purpose, "GET POST"),
        "/wall/<name>/questions": (measuring.ask, "GET POST"), "/wall/<name>/answers": (measuring.answers, "GET POST"),
        "/wall/<name>/fix": (measuring.fix, "POST"), "/wall/<name>/cut": (measuring.cut, "POST"),
        "/wall/<name>/sheets": (papers.sheets_page, "GET POST"),
        "/wall/<name>/evidence": (papers.evidence_page, "GET POST"),
        "/wall/<name>/file/<file>": (papers.file, "GET"), "/static/<file>": (static.file, "GET"),
        "/favicon.ico": (static.icon, "GET"),
    }  # fmt: skip
    for rule, (view, methods) in table.items():
        endpoint = f"{view.__module__.rpartition('.')[2]}.{view.__name__}"
        app.add_url_rule(rule, endpoint, partial(view, desk), methods=methods.split())


def _wants_json() -> bool:
    from flask import request

    return request.is_json or request.path.endswith(("/state", "/reading", "/cut", "/keep"))


def _trouble(desk: Desk, trouble: FlatscanError) -> Any:
    """What could not be done, in four parts; the machine's own folders stay out of it."""
    from flask import jsonify, render_template, request

    parts = plain(trouble, desk.jobs.folder)
    code = HTTPStatus.CONFLICT if isinstance(trouble, OtherTab) else HTTPStatus.UNPROCESSABLE_ENTITY
    if isinstance(trouble, NoWall):
        code = HTTPStatus.NOT_FOUND
    if _wants_json():
        return jsonify(parts), code
    back = request.path if isinstance(trouble, OtherTab) or request.method == "POST" else None
    job = _job_of(desk, (request.view_args or {}).get("name"))
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

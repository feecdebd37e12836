"""The page's application: its addresses and files, and how a failure is told."""

from __future__ import annotations

import logging
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from functools import partial
from http import HTTPStatus
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

from flatscan.core.errors import FlatscanError, ReadError
from flatscan.desk import addresses, letting_in, rechecks, screens
from flatscan.desk.answering import in_four_parts
from flatscan.desk.bench import Bench
from flatscan.desk.certificates import Identity
from flatscan.desk.crew import Stopped
from flatscan.desk.devices import Devices
from flatscan.desk.folders import Job, Jobs, NoWall, OtherTab
from flatscan.report.page import SCRIPTS

if TYPE_CHECKING:
    from flask import Flask

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
    "away.js": [_PAGES / "away.js"],
    "spoken.js": [_PAGES / "spoken.js"],
}
_SAID = {
    HTTPStatus.UNAUTHORIZED: "This device is not let in. Scan the code on the page “Phones” of a device that is, or "
    "open the address the program printed when it was started. Nothing that was saved is lost.",
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
    """What all pages share: the jobs, the work, who is let in; and, shared, the address and certificate for phones."""

    jobs: Jobs
    devices: Devices
    bench: Bench = field(default_factory=Bench)
    outside: str = ""
    certificate: Identity | None = None


def make_app(
    folder: Path,
    *,
    token: str,
    hosts: Mapping[str, str] | Collection[str],
    devices: Devices | None = None,
    upload_limit: int = UPLOAD_LIMIT,
    outside: str = "",
    certificate: Identity | None = None,
) -> Flask:
    """The application over the jobs in ``folder``, for requests to one of ``hosts`` by the ``devices`` known.

    The ``token`` lets another one in. ``hosts`` may say each name's scheme; ``outside`` is the address for phones.
    Raises `OutputError` where the folder cannot be written, `ReadError` where Flask is missing.
    """
    from flatscan.desk import stations

    flask = need("flask")
    jobs = Jobs(folder)
    desk = Desk(jobs, devices or Devices(folder), outside=outside, certificate=certificate)
    rechecks.clear(folder)
    app: Flask = flask.Flask(
        "flatscan.desk", root_path=str(Path(__file__).parent), static_folder=None, template_folder="pages"
    )
    app.config.update(MAX_CONTENT_LENGTH=upload_limit, MAX_FORM_MEMORY_SIZE=1_000_000, MAX_FORM_PARTS=500)
    app.extensions["flatscan-desk"] = desk
    _templates(app)
    letting_in.install(app, token, hosts, desk.devices)
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
    own: addresses.Addresses = {
        "/worker.js": (_worker, "GET"),
        "/static/<file>": (_file, "GET"),
        "/favicon.ico": (_icon, "GET"),
    }
    for rule, (view, methods) in (addresses.of_the_desk() | addresses.of_a_wall() | own).items():
        endpoint = f"{view.__module__.rpartition('.')[2]}.{view.__name__}"
        app.add_url_rule(rule, endpoint, partial(view, desk), methods=methods.split())


def _icon(_desk: Desk) -> Any:
    """No picture for the browser's tab, said without an error."""
    return "", 204


def _worker(_desk: Desk) -> Any:
    """The script that keeps the reading screen on a phone, at the address that lets it answer for all pages."""
    from flask import Response

    return Response(f'"use strict";\n{(_PAGES / "worker.js").read_text(encoding="utf-8")}', mimetype=_TYPES["js"])


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

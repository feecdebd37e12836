"""Who may send something large is asked by the head of his request: what is refused is not taken in first.

The server hands a request on once all of it is there. Here the application's own guard is asked before that, by the
same rules and with the same words, and a body that is longer than the page takes is not read either.
"""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flask import Flask, Response

# what is shorter [bytes] is refused soon enough when it is there
_SMALL = 100_000
_OWN_NAMES = {"CONTENT_TYPE", "CONTENT_LENGTH"}


def guard(server: Any, app: Flask) -> None:
    """Let a waitress ``server`` ask the ``app`` for every long request before its body is read."""
    from waitress.channel import HTTPChannel
    from waitress.parser import HTTPRequestParser
    from waitress.utilities import Error

    class Refused(Error):
        def __init__(self, answer: Response) -> None:
            super().__init__("")
            self.answer = answer

        def to_response(self, _ident: str | None = None) -> tuple[str, list[tuple[str, str]], bytes]:
            return self.answer.status, [("Content-Type", self.answer.content_type)], self.answer.get_data()

    class Parser(HTTPRequestParser):
        def parse_header(self, header_plus: bytes) -> None:
            super().parse_header(header_plus)
            if self.chunked or self.content_length > _SMALL:
                answer = refusal(app, _environ(self))
                if answer is not None:
                    self.error, self.completed = Refused(answer), True

    class Channel(HTTPChannel):
        parser_class = Parser

    server.channel_class = Channel


def refusal(app: Flask, environ: dict[str, Any]) -> Response | None:
    """What the application says to the head of a request that it does not let in; None where it does."""
    from http import HTTPStatus

    from flask import abort

    with app.request_context(environ):
        try:
            if int(environ.get("CONTENT_LENGTH") or 0) > app.config["MAX_CONTENT_LENGTH"]:
                abort(HTTPStatus.REQUEST_ENTITY_TOO_LARGE)
            answer = app.preprocess_request()
        except Exception as trouble:
            answer = app.handle_user_exception(trouble)
        return None if answer is None else app.process_response(app.make_response(answer))


def _environ(parsed: Any) -> dict[str, Any]:
    """The environment (PEP 3333) of a request of which only the head is known."""
    names = {key: key if key in _OWN_NAMES else f"HTTP_{key}" for key in parsed.headers}
    return {
        **{names[key]: value for key, value in parsed.headers.items()},
        "REQUEST_METHOD": parsed.command.upper(),
        "SCRIPT_NAME": "",
        "PATH_INFO": parsed.path,
        "QUERY_STRING": parsed.query,
        "SERVER_NAME": "localhost",
        "SERVER_PORT": "0",
        "SERVER_PROTOCOL": f"HTTP/{parsed.version}",
        "wsgi.url_scheme": parsed.url_scheme,
        "wsgi.input": BytesIO(),
        "wsgi.version": (1, 0),
    }

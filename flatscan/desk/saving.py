"""Saving at every key, and how far the work is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flatscan.core.errors import BadValue, FlatscanError
from flatscan.desk import answering, steps
from flatscan.desk.bench import Working

if TYPE_CHECKING:
    from flatscan.desk.app import Desk


def sent_json() -> dict[str, Any]:
    """The object a script sent; anything else raises `BadValue`."""
    from flask import request

    sent = request.get_json(silent=True)
    if not isinstance(sent, dict) or type(sent.get("revision")) is not int:
        raise BadValue("the page", "not what its script sends", needed="its own request", remedy="Load it again")
    return sent


def keep(desk: Desk, name: str) -> Any:
    """Answers as they are typed; gives the new revision and what is wrong with a length, by field."""
    from flask import jsonify

    sent = sent_json()
    values = sent.get("values")
    if not isinstance(values, dict):
        raise BadValue("the page", "no values", needed="its own fields", remedy="Load it again")
    job = desk.jobs.keep(name, sent["revision"], lambda settings: answering.take(settings, values))
    wrong = answering.troubles(job)
    return jsonify(revision=job.revision, troubles={key: wrong.get(key, "") for key in values})


def state(desk: Desk, name: str) -> Any:
    """Whether the work a page waits for is done."""
    from flask import jsonify, request

    job = desk.jobs.get(name)
    try:
        made = desk.bench.room(job) if request.args.get("of") == "wall" else desk.bench.result(job)
    except FlatscanError:
        # the page itself tells it when it is loaded again
        return jsonify(done=True)
    if isinstance(made, Working):
        return jsonify(done=False, words=made.words, share=made.share)
    return jsonify(done=True, next=steps.where_to_go_on(job))

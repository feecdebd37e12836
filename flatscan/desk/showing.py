"""Showing one step of a job, and going on from it."""

from __future__ import annotations

from typing import Any

from flatscan.desk import steps
from flatscan.desk.folders import Job


def show(template: str, job: Job, here: str, **more: Any) -> Any:
    """One screen of a job, with the steps before and after it."""
    from flask import render_template

    before, after = steps.beside(job, here)
    return render_template(
        template, job=job, here=here, before=before, after=after, next_title=steps.next_title(job, here), **more
    )


def changed(job: Job, here: str) -> Any:
    """After a screen was sent: on to the next, or back, or to the same one, as its button says."""
    from flask import redirect, request

    before, after = steps.beside(job, here)
    to = {"back": before, "stay": here}.get(request.form.get("go", ""), after) or here
    return redirect(f"/wall/{job.name}/{to}", 303)


def sent_values(names: set[str], lists: set[str]) -> dict[str, Any]:
    """The fields of a form by name; a list of ticks that is empty is sent as nothing, and means none."""
    from flask import request

    values: dict[str, Any] = {name: request.form[name] for name in names - lists if name in request.form}
    return values | {name: request.form.getlist(name) for name in names & lists}


def revision() -> int:
    """The revision of the settings that a form was made from; -1, which is none, where it says nothing sensible."""
    from flask import request

    given = request.form.get("revision", "")
    return int(given) if given.isascii() and given.isdigit() and len(given) < 10 else -1

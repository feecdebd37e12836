"""All walls, a new one, and the capture of one."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flatscan.capture import formats
from flatscan.capture.registry import pick
from flatscan.core.errors import ReadError
from flatscan.desk import screens
from flatscan.desk.folders import Job, Plain, write_stream
from flatscan.desk.screens import changed, show

if TYPE_CHECKING:
    from werkzeug.datastructures import FileStorage

    from flatscan.desk.app import Desk

_TITLE = 80


def home(desk: Desk) -> Any:
    """All walls of the folder, and the start of a new one."""
    from flask import render_template

    walls = [(job, screens.where_to_go_on(job)) for job in desk.jobs.all()]
    return render_template("home.html.j2", walls=walls, folder=desk.jobs.folder.name, suffixes=_suffixes())


def new(desk: Desk) -> Any:
    """Begin a wall: with a scan that was dropped, or with readings to be typed."""
    from flask import redirect, request, url_for

    title = " ".join(request.form.get("title", "").split())[:_TITLE]
    units = "in" if request.form.get("units") == "in" else "mm"
    if request.form.get("kind") == "laser":
        job = desk.jobs.new(title, units)
        job = desk.jobs.keep(job.name, job.revision, lambda settings: settings.update(kind="laser"))
        return redirect(url_for("stations.size", name=job.name), 303)
    sent = _sent()
    job = desk.jobs.new(title, units)
    try:
        job = _take(desk, job, sent)
    except Exception:
        # a file that is no scan leaves no empty wall behind
        shutil.rmtree(job.folder, ignore_errors=True)
        raise
    return redirect(url_for("choosing.wall", name=job.name), 303)


def go_on(desk: Desk, name: str) -> Any:
    """Where a wall was left."""
    from flask import redirect

    return redirect(f"/wall/{name}/{screens.where_to_go_on(desk.jobs.get(name))}")


def capture(desk: Desk, name: str) -> Any:
    """Which file this wall stands on, and another one in its place."""
    from flask import request

    job = desk.jobs.get(name)
    if request.method == "POST":
        return changed(_take(desk, job, _sent(), int(request.form.get("revision", "-1"))), "capture")
    return show("capture.html.j2", job, "capture", suffixes=_suffixes())


def _sent() -> FileStorage:
    from flask import request

    sent = request.files.get("capture")
    if sent is None or not sent.filename:
        raise ReadError("the scan", "no file was chosen", needed="one file", remedy="Choose it, or drop it on the page")
    return sent


def _take(desk: Desk, job: Job, sent: FileStorage, revision: int | None = None) -> Job:
    """The file into the job's folder under a name of ours; what no reader knows is not kept."""
    shown = (sent.filename or "")[-120:]
    # of the name that was sent only a known ending is used, and that from our own list
    ending = Path(shown.replace("\\", "/")).suffix.lower()
    suffix = next((known for form in formats() for known in form.suffixes if known == ending), ".bin")
    if revision is not None and revision != job.revision:
        desk.jobs.keep(job.name, revision, lambda _: None)
    kept = job.folder / f"capture{suffix}"
    beside = job.folder / f".new{suffix}"
    try:
        write_stream(beside, lambda stream: shutil.copyfileobj(sent.stream, stream, 1 << 20))
        if not beside.stat().st_size:
            raise ReadError(shown, "the file is empty (0 bytes)", needed="a scan", remedy="Export or copy it again")
        try:
            form, _ = pick(beside)
        except ReadError as trouble:
            raise trouble.at(shown) from None
        beside.replace(kept)
    finally:
        beside.unlink(missing_ok=True)

    def put(settings: Plain) -> None:
        settings["capture"] = {"file": kept.name, "name": shown, "holds": form.holds}
        settings["readings"] = None
        settings["cut"], settings["fixed"] = [], []
        for field in ("wall", "no_opening"):
            settings["answers"].pop(field, None)

    return desk.jobs.keep(job.name, job.revision, put)


def _suffixes() -> str:
    return ",".join(dict.fromkeys(suffix for form in formats() for suffix in form.suffixes))

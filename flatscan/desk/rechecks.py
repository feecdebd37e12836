"""A sealed file from somebody else, checked here: every byte, and all of it made again from its captures."""

from __future__ import annotations

import re
import secrets
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flatscan.core.errors import BadValue, FlatscanError, ReadError
from flatscan.core.records import to_plain
from flatscan.desk import answering
from flatscan.desk.arriving import write_sent
from flatscan.desk.bench import Working
from flatscan.desk.crew import Stopped
from flatscan.desk.folders import Job, unused_settings

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

FOLDER, FILE = ".rechecks", "sealed.zip"
_NUMBER = re.compile(r"[0-9a-f]{16}", re.ASCII)
_SEAL = re.compile(r"[0-9a-f]{64}", re.ASCII)


def drop(desk: Desk) -> Any:
    """The form for a sealed file, and its check begun."""
    from flask import redirect, render_template, request

    if request.method != "POST":
        return render_template("recheck.html.j2", working=None, found=None, trouble=None, name="")
    sent = request.files.get("capture")
    if sent is None or not sent.filename:
        raise ReadError("the sealed file", "no file was chosen", needed="one file", remedy="Choose it, or drop it here")
    seal = request.form.get("seal", "").strip().lower()
    if seal and not _SEAL.fullmatch(seal):
        raise BadValue(
            "The seal", "'{seal}'", needed="64 hex digits", remedy="Copy the seal that sealing printed", seal=seal[:80]
        )
    name = f"recheck-{secrets.token_hex(8)}"
    place = desk.jobs.folder / FOLDER / name
    place.mkdir(mode=0o700, parents=True)
    write_sent(place / FILE, sent)
    units = "in" if request.form.get("units") == "in" else "mm"
    desk.bench.recheck(_job(desk, name, units), place / FILE, seal or None, 0.0)
    return redirect(f"/recheck/{name}?seal={seal}&units={units}", 303)


def _job(desk: Desk, name: str, units: str) -> Job:
    """What the bench knows the check of a file by; no wall of the list."""
    settings = to_plain(unused_settings(title="the sealed file", units=units))
    return Job(name, desk.jobs.folder / FOLDER / name, settings)


def _asked(desk: Desk, name: str, wait: float) -> Any:
    """What came of a check, or how far it is; raises its errors, and `ReadError` for one that nobody asked for."""
    from flask import request

    place = desk.jobs.folder / FOLDER / name
    if not _NUMBER.fullmatch(name.removeprefix("recheck-")) or not place.is_dir():
        raise ReadError("the check", "there is none of that name", needed="a sealed file", remedy="Drop the file again")
    seal = request.args.get("seal", "")
    units = "in" if request.args.get("units") == "in" else "mm"
    return desk.bench.recheck(_job(desk, name, units), place / FILE, seal if _SEAL.fullmatch(seal) else None, wait)


def found(desk: Desk, name: str) -> Any:
    """What the check of a file found, or how far it is."""
    from flask import render_template

    try:
        made = _asked(desk, name, 0.3)
    except Stopped as ended:
        trouble = None if ended.reason is None else answering.in_four_parts(ended.reason, desk.jobs.folder, "mm")
        return render_template("recheck.html.j2", working=None, found=None, trouble=trouble, name=name)
    working = made if isinstance(made, Working) else None
    return render_template("recheck.html.j2", working=working, found=None if working else made, trouble=None, name=name)


def state(desk: Desk, name: str) -> Any:
    """Whether a check is done."""
    from flask import jsonify

    try:
        made = _asked(desk, name, 0.3)
    except (FlatscanError, Stopped):
        return jsonify(done=True)
    if isinstance(made, Working):
        return jsonify(done=False, words=made.words, share=made.share)
    return jsonify(done=True)


def stop(desk: Desk, name: str) -> Any:
    """Stop a check; what was dropped for it goes."""
    from flask import redirect

    if _NUMBER.fullmatch(name.removeprefix("recheck-")):
        desk.bench.stop(name)
        shutil.rmtree(desk.jobs.folder / FOLDER / name, ignore_errors=True)
    return redirect("/recheck", 303)


def clear(folder: Path) -> None:
    """Remove what was dropped for checks before the program was started."""
    shutil.rmtree(folder / FOLDER, ignore_errors=True)

"""Laser readings: the size of the wall, then one station after another."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flatscan.core.choices import READING_UNITS, SENSES
from flatscan.core.errors import BadValue
from flatscan.desk import stations
from flatscan.desk.folders import Plain
from flatscan.desk.plans import station_plan
from flatscan.desk.saving import sent_json
from flatscan.desk.showing import changed, revision, show
from flatscan.report import words
from flatscan.report.form.printed import BEFORE, CHECKS

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

_SIZES = ("width", "height", "spacing", "unit", "sense")


def size(desk: Desk, name: str) -> Any:
    """How large the wall is, and how the readings will be written."""
    from flask import request

    job = desk.jobs.get(name)
    if request.method == "POST":
        given = [request.form.get(field, "") for field in _SIZES]
        job = desk.jobs.keep(name, revision(), lambda settings: stations.begin(settings, *given))
        stations.save(job)
        return changed(job, "size")
    held, units = job.settings["readings"], job.settings["units"]
    usual = {"width": "", "height": "", "spacing": "4 ft" if units == "in" else "1.2 m",
             "unit": "in" if units == "in" else "mm", "sense": SENSES[0]}  # fmt: skip
    if held is not None:
        usual |= {key: f"{held[key]:g} m" for key in ("width", "height", "spacing")}
        usual |= {key: held[key] for key in ("unit", "sense")}
    return show("size.html.j2", job, "size", given=usual, senses=SENSES, read_in=READING_UNITS)


def readings(desk: Desk, name: str) -> Any:
    """All stations; a form without scripts sends them together, or adds one."""
    from flask import redirect, request

    job = desk.jobs.get(name)
    if job.settings["readings"] is None:
        return redirect(f"/wall/{name}/size")
    if request.method == "POST":
        return _sent(desk, name)
    every = stations.places(job)
    held = job.settings["readings"]
    plan = station_plan(
        held["width"], held["height"], [(str(s.number), s.x, s.y, s.done) for s in every if s.number]
    )  # fmt: skip
    shown = stations.shown(job)
    start = next((k for k, station in enumerate(every) if not station.done), 0)
    done, count = stations.progress(job)
    asked = request.args.get("at", "")
    start = int(asked) - 1 if asked.isascii() and asked.isdigit() and 0 < int(asked) <= count - 1 else start
    return show(
        "readings.html.j2", job, "readings", stations=shown, start=start, done=done, count=count, plan=plan,
        cautions=BEFORE, checks=CHECKS, sense=held["sense"], unit=held["unit"],
        sides=words.length(held["width"], job.settings["units"]),
    )  # fmt: skip


def _sent(desk: Desk, name: str) -> Any:
    from flask import redirect, request

    form, here = request.form, {"number": 0}

    def put(settings: Plain) -> None:
        for field, text in form.items():
            if field.startswith("r-"):
                stations.put(settings, field[2:], text)
        if form.get("go") == "add":
            here["number"] = stations.add(settings, form.get("across", ""), form.get("up", ""))

    job = desk.jobs.keep(name, revision(), put)
    stations.save(job)
    if form.get("go") == "add":
        return redirect(f"/wall/{name}/readings?at={here['number']}", 303)
    return changed(job, "readings")


def one(desk: Desk, name: str) -> Any:
    """One reading as it is typed: saved, and checked against its neighbours by the reader of laser grids."""
    from flask import jsonify

    sent = sent_json()
    number, text = sent.get("number"), sent.get("text")
    if not isinstance(number, str) or not isinstance(text, str):
        raise BadValue("the page", "no reading", needed="a station and what was typed", remedy="Load it again")
    job = desk.jobs.get(name)
    if job.settings["readings"] is None:
        raise BadValue("readings", "no size of the wall yet", needed="its size", remedy="Go back one step")
    job = desk.jobs.keep(name, sent["revision"], lambda settings: stations.put(settings, number, text))
    stations.save(job)
    done, count = stations.progress(job)
    return jsonify(revision=job.revision, doubts=stations.doubts(job, number), done=done, count=count)

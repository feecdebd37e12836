"""The set-up of laser-line photos or of a swept video, asked for on one page where they came without it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from flatscan.capture import files_of
from flatscan.capture.registry import pick
from flatscan.core.errors import FlatscanError, ReadError
from flatscan.core.records import from_plain, to_plain
from flatscan.desk import line_questions as asking
from flatscan.desk.answering import in_four_parts
from flatscan.desk.arriving import Arrived
from flatscan.desk.folders import Job, Plain, write_through
from flatscan.desk.line_photos import LENSES, MOST_LINES, guessed, is_photo
from flatscan.desk.line_questions import Asked, Line, checked, setup_text
from flatscan.desk.screens import changed, revision, show

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

SETUP, _ANSWERS = "line.toml", "line-answers.json"
_TARGETS, _MOST_LETTERS = 8, 80


def lines(desk: Desk, name: str) -> Any:
    """The questions about photos of lines; what passes becomes their set-up, and the capture is whole."""
    from flask import redirect, request

    job = desk.jobs.get(name)
    folder = _folder(job)
    if folder is None:
        return redirect(f"/wall/{name}/capture")
    if request.method == "GET":
        return _page(job, folder, _held(folder), {}, None)
    # another tab's answers are not written over
    job = desk.jobs.keep(name, revision())
    given = {key: text.strip()[:_MOST_LETTERS] for key, text in request.form.items() if key not in ("revision", "go")}
    _take_lens(folder, given)
    write_through(folder / _ANSWERS, json.dumps(given, ensure_ascii=False, sort_keys=True).encode())
    if request.form.get("go") == "back":
        return changed(job, "lines")
    text, wrong = _setup(folder, given)
    if wrong:
        return _page(job, folder, given, wrong, None), 422
    write_through(folder / SETUP, text.encode())
    try:
        used = files_of(folder / SETUP)
        holds = pick(folder / SETUP)[0].holds
    except FlatscanError as trouble:
        parts = in_four_parts(trouble, folder, job.settings["units"])
        return _page(job, folder, given, {}, parts), 422

    def put(settings: Plain) -> None:
        held = from_plain(Arrived, settings["capture"])
        whole = replace(held, file=f"{folder.name}/{SETUP}", holds=holds, others=len(used) - 1)
        settings["capture"] = to_plain(whole)

    return changed(desk.jobs.keep(name, job.revision, put), "lines")


def _folder(job: Job) -> Path | None:
    """The folder with a job's photos of lines, None for a job without."""
    taken = job.settings["capture"]
    if taken is None or job.settings["kind"] != "lines":
        return None
    return job.folder / PurePosixPath(taken["file"]).parts[0]


def _held(folder: Path) -> dict[str, str]:
    """What was typed before."""
    try:
        held = json.loads((folder / _ANSWERS).read_bytes())
    except (OSError, ValueError):
        return {}
    return {str(key): str(text) for key, text in held.items()} if isinstance(held, dict) else {}


def _files(folder: Path) -> tuple[list[str], list[str], str]:
    """Names of the photos, of files that may be of the lens, and of the video ("": none)."""
    every = sorted(path for path in folder.iterdir() if path.is_file() and path.name not in (SETUP, _ANSWERS))
    photos = [path.name for path in every if is_photo(path)]
    lenses = [path.name for path in every if path.suffix.lower() in LENSES]
    return photos, lenses, next((path.name for path in every if asking.is_video(path.name)), "")


def _take_lens(folder: Path, given: dict[str, str]) -> None:
    """Keep a lens file that was sent along with the answers, and take it for the answer."""
    from flask import request

    sent = request.files.get("lens-file")
    if sent is None or not sent.filename:
        return
    ending = PurePosixPath(sent.filename.replace("\\", "/")).suffix.lower()
    if ending not in LENSES:
        raise ReadError(
            "the lens",
            "a file of the kind '{ending}'",
            needed=" or ".join(LENSES),
            remedy="Send the file that {run:calibrate} wrote",
            ending=ending[:10],
        )
    write_through(folder / f"lens{ending}", sent.stream.read(1_000_000))
    given["lens"] = f"lens{ending}"


def _page(job: Job, folder: Path, held: Mapping[str, str], wrong: Mapping[str, str], trouble: Any) -> Any:
    photos, lenses, video = _files(folder)
    pairs = [] if video else guessed([folder / name for name in photos])[:MOST_LINES]
    usual = {f"on-{k}": on for k, (on, _) in enumerate(pairs)} | {f"off-{k}": off for k, (_, off) in enumerate(pairs)}
    usual |= {f"target-{k}": str(k) for k in range(_TARGETS)}
    usual |= {"lens": lenses[0]} if len(lenses) == 1 else {}
    return show(
        "lines.html.j2",
        job,
        "lines",
        photos=photos,
        lenses=lenses,
        video=video,
        rows=range(len(pairs)),
        targets=range(_TARGETS),
        ask=asking,
        held=dict(usual | dict(held)),
        wrong=dict(wrong),
        trouble=trouble,
    )


def _setup(folder: Path, given: Mapping[str, str]) -> tuple[str, dict[str, str]]:
    """The set-up file of what was typed, and what is wrong with it by field."""
    photos, lenses, video = _files(folder)
    values, wrong = dict[str, str](), dict[str, str]()

    def put(one: Asked, field: str = "", *, needed: bool = False) -> str:
        field = field or one.name
        try:
            values[field] = checked(replace(one, empty="") if needed else one, given.get(field, ""), [*photos, *lenses])
        except ValueError as fault:
            values[field], wrong[field] = "", str(fault)
        return values[field]

    put(asking.NAME)
    for one in (asking.WIDTH, asking.HEIGHT):
        put(one, needed=bool(video))
    plane = "" if video else put(asking.PLANE)
    if not plane:
        lens = put(asking.LENS, needed=bool(video))
        for one in (() if lens or video else asking.CAMERA) + asking.PIVOT:
            put(one)
    put(asking.SIZE)
    targets = _targets(given, wrong)
    every = [] if video else _lines(given, wrong, photos, plane=bool(plane))
    for strip in asking.STRIPS if video else ():
        for one in asking.STRIP:
            put(one, asking.strip_name(strip, one))
    if not video and not every:
        wrong["on-0"] = "This one is needed."
    return ("" if wrong else setup_text(values, targets, every, json.dumps(video) if video else "")), wrong


def _targets(given: Mapping[str, str], wrong: dict[str, str]) -> dict[str, list[str]]:
    """Places of the targets by number; rows without a place are not used."""
    found = dict[str, list[str]]()
    for row in range(_TARGETS):
        fields = (f"target-{row}-x", f"target-{row}-y")
        if not any(given.get(field) for field in fields):
            continue
        number, place = "", list[str]()
        for one, field in ((asking.TARGET, f"target-{row}"), *zip(asking.place_of(row), fields, strict=True)):
            try:
                made = checked(one, given.get(field, ""))
            except ValueError as fault:
                wrong[field] = str(fault)
                continue
            number, place = (made, place) if one is asking.TARGET else (number, [*place, made])
        if number in found:
            wrong[f"target-{row}"] = f"Target {number} is told twice."
        found[number] = place
    if len(found) < asking.ENOUGH and not any(field.startswith("target") for field in wrong):
        wrong["target-0-x"] = f"{asking.ENOUGH} are needed, and {len(found)} are told."
    return found


def _lines(given: Mapping[str, str], wrong: dict[str, str], photos: list[str], *, plane: bool) -> list[Line]:
    """The lines that were told, each with its photos."""
    found = list[Line]()
    for row in range(MOST_LINES):
        if not given.get(f"on-{row}"):
            continue
        made = dict[str, str]()
        for one in (asking.ON, asking.OFF, *(() if plane else (asking.AT,))):
            try:
                made[one.name] = checked(one, given.get(f"{one.name}-{row}", ""), photos)
            except ValueError as fault:
                wrong[f"{one.name}-{row}"] = str(fault)
        if made.get("on") and made.get("on") == made.get("off"):
            wrong[f"off-{row}"] = "The same photo cannot show both."
        found.append(Line(made.get("on", ""), made.get("off", ""), made.get("at", "")))
    return found

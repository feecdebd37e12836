"""The sealed file: one that another party can open, check and run again, and that check."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from flatscan.cli import by_plan, options, refusing, running
from flatscan.cli.kinds import LENGTH
from flatscan.cli.progress import progress_bar
from flatscan.cli.speaking import hand_out, hand_over, tell, text_file, words
from flatscan.core.notes import Note, note

if TYPE_CHECKING:
    from flatscan.evidence import Job, Key, Rechecked, Statement
    from flatscan.jobs import Result

SUFFIX = "-evidence.zip"
SAME, ALTERED, DIFFERENT = 0, 3, 4


@click.command("evidence", cls=options.Grouped)
@options.captures
@click.option(
    "--job", "jobs", type=click.Choice(["survey", "check", "compare"]), multiple=True, help="What to run and seal."
)
@click.option("--plumb-limit", type=LENGTH, help="Largest lean allowed over the wall's height.")
@click.option("--sign", type=click.Path(), help="Your Ed25519 private key (PEM or OpenSSH); signs the file.")
@click.option("--title", default="", help="What the file is about, in your words.")
@click.option("--date", default="", help="The day, as you state it; it is not proven.")
@click.option("--grounds", default="", help="Why the capture type is what you say it is.")
@click.option("--present", multiple=True, help="Who was present.")
@click.option("--note", "notes", multiple=True, help="A note for page one.")
@click.option("--left-out", multiple=True, help="A capture that was made and is not in the file, and why.")
@click.option("--photo", "photos", type=click.Path(), multiple=True, help="A photo; time and place are taken out.")
@click.option("--keep-photo-data", is_flag=True, help="Leave time, place and device in the photos.")
@click.option("--time-request", is_flag=True, help="Write a request for a trusted time stamp (RFC 3161) beside it.")
@click.option(
    "--time-response", type=click.Path(), help="The authority's answer; goes into the sealed file that stands there."
)
@options.compare_options
@options.finish_options
@options.quote_options
@options.plan_options
@options.more_option
@options.output_options
def evidence(captures: tuple[str, ...], **given: Any) -> int:
    """Seal captures, settings, results and sheets into one file that another party can check and rerun.

    Sealed means unchanged since sealing: origin and wall are not proven, nor the date unless a verified time stamp
    says so. --out names the file (.zip) or its folder. A key is made by its user: openssl genpkey -algorithm ed25519
    -out key.pem. For --time-request and --time-response a sealed file may stand in place of captures.

    Example: flatscan evidence wall.ply --limit 3mm --capture-type scanner --present "both foremen" --sign key.pem
    """
    from flatscan import report

    refusing.not_same_wall(given, "evidence")
    refusing.one_wall_only(captures, given)
    stands = _standing(captures, given)
    path = stands or _path(captures, given["out"])
    document = {} if stands else _seal(path, captures, given)
    document |= _timed(path, given)
    if given["as_json"]:
        head = {"schema": 1, "command": "evidence", "file": path.name}
        hand_over(report.text(head | document | {"files": [path.name]}))
    return 0


def _standing(captures: tuple[str, ...], given: dict[str, Any]) -> Path | None:
    """The file that is sealed already, where a time stamp is asked for or brought to one."""
    from flatscan.evidence import stamp

    answered = given["time_response"] is not None
    if not given["time_request"] and not answered:
        return None
    written = [_path(captures, given["out"])] if answered and not given["overwrite"] else []
    for path in (Path(captures[0]), *written):
        if stamp.is_sealed(path):
            _tell(note("stamp.kept"), given)
            return path
    return None


def _tell(said: Note | str, given: dict[str, Any]) -> None:
    tell(said, given["units"], quiet=given["quiet"])


def _timed(path: Path, given: dict[str, Any]) -> dict[str, Any]:
    """Write the request for a time stamp, add the answer, and say so; entries of the document."""
    from flatscan.evidence import stamp

    document: dict[str, Any] = {}
    if given["time_response"] is not None:
        found = stamp.add_answer(path, given["time_response"])
        _tell(note("stamp.added", at=found.at, by=found.by), given)
        document["time"] = {"at": found.at, "by": found.by, "verified": False}
    if given["time_request"]:
        request = stamp.write_request(path)
        _tell(note("stamp.request", file=str(request), sealed=str(path)), given)
        document["time_request"] = request.name
    return document


def _seal(path: Path, captures: tuple[str, ...], given: dict[str, Any]) -> dict[str, Any]:
    """Seal a new file and say so; entries of the document."""
    from flatscan import evidence as room

    asked = by_plan.asked(captures[0], given, running.home(captures[0], given["out"]), by_plan.by_hand())
    given, results = asked.given, []

    def told(found: Result) -> None:
        # a plan in the folder of another capture ends it before anything is sealed
        results.append(asked.of(found))

    jobs = [replace(job, plan=asked.used) for job in _jobs(captures, given)]
    statement = _statement(given)
    key = _key(given["sign"])
    with progress_bar(quiet=given["quiet"]) as progress:
        sealed = room.seal(
            path,
            captures,
            jobs,
            statement=statement,
            photos=given["photos"],
            keep_metadata=given["keep_photo_data"],
            key=key,
            units=given["units"],
            overwrite=given["overwrite"],
            progress=progress,
            told=told,
        )
    asked.keep(results[:1])
    for said in (
        note("run.sealed", file=str(sealed.path), members=len(sealed.manifest["members"]) + 2),
        note("run.seal", seal=sealed.seal),
        note("run.give-the-seal"),
        note("run.what-sealed-means"),
    ):
        _tell(said, given)
    if given["more"]:
        for member in sealed.manifest["members"]:
            _tell(str(member["name"]), given)
    return {"seal": sealed.seal} | {
        name: sealed.manifest[name] for name in ("signed_by", "captures", "jobs", "members")
    }


def _jobs(captures: tuple[str, ...], given: dict[str, Any]) -> list[Job]:
    """The jobs asked for on every capture: a check where a limit is given, else a survey."""
    from flatscan.evidence import Job
    from flatscan.jobs import Requirement

    limited = bool(given["tolerance"]) or any(given[name] is not None for name in ("limit", "plumb_limit"))
    asked = given["jobs"] or (("check",) if limited else ("survey",))
    hand = by_plan.by_hand()
    pair = _pair(captures, dict(given), "compare" in asked)
    if "check" in asked and not limited:
        raise click.UsageError("Give the check a limit to judge by: --limit 3mm, or --tolerance ID.")
    tests = {"survey": Requirement.by(rule=given["rule"], directions=options.degrees(given["directions"]))}
    if "check" in asked:
        tests["check"] = running.judging(given, hand)
    given = dict(given)
    how, finish = running.capturing(given), running.finishing(given)
    single = [
        Job(name, (k,), capturing=how, testing=tests[name], finishing=finish)
        for k in range(len(captures))
        for name in dict.fromkeys(asked)
        if name != "compare"
    ]
    return single + [replace(job, finishing=finish) for job in pair]


def _pair(captures: tuple[str, ...], given: dict[str, Any], wanted: bool) -> list[Job]:
    """The comparison of two captures, where it is asked for."""
    from flatscan.cli.compare import asked_of, hows_of
    from flatscan.evidence import Job

    if not wanted:
        return []
    if len(captures) != 2:
        raise click.UsageError("A comparison is sealed with two captures: EARLIER LATER.")
    earlier, later = hows_of(given)
    return [Job("compare", (0, 1), capturing=later, earlier=earlier, comparing=asked_of(given))]


def _statement(given: dict[str, Any]) -> Statement:
    from flatscan.evidence import Statement

    def plain(name: str) -> str:
        return " ".join(given[name].split())

    def several(name: str) -> tuple[str, ...]:
        return tuple(" ".join(text.split()) for text in given[name])

    return Statement(
        title=plain("title"),
        date=plain("date"),
        grounds=plain("grounds"),
        present=several("present"),
        notes=several("notes"),
        left_out=several("left_out"),
    )


def _key(path: str | None) -> Key | None:
    from flatscan.core.errors import BadValue
    from flatscan.evidence import load_key

    if path is None:
        return None
    try:
        return load_key(path)
    except BadValue:
        return load_key(path, click.prompt("Passphrase of the key", hide_input=True, err=True).encode())


def _path(captures: tuple[str, ...], out: str | None) -> Path:
    """Where the file goes: --out itself if it ends in .zip, else a file named after the first capture in it."""
    if out is not None and out.lower().endswith(".zip"):
        return Path(out)
    return Path(out or ".") / f"{Path(captures[0]).stem}{SUFFIX}"


@click.command("recheck")
@click.argument("file", type=click.Path())
@click.option("--seal", help="The seal as told by the file's maker another way (64 hex digits).")
@click.option("--key", help="The public key you expect: 64 hex digits, or a public key file.")
@click.option("--time-roots", type=click.Path(), help="Root certificates under which you trust its time stamp.")
@options.more_option
@options.output("Folder for the report.  [default: none is written]")
def recheck(file: str, *, seal: str | None, key: str | None, time_roots: str | None, more: bool, **given: Any) -> int:
    """Verify a sealed FILE byte by byte, make all of it again from its captures, and compare each number and sheet.

    Exit code 0: same; 3: altered; 4: the seal holds, but it recomputes differently.

    Example: flatscan recheck wall-evidence.zip --key signer.pub
    """
    from flatscan import evidence as room
    from flatscan import report
    from flatscan.core.errors import BadValue
    from flatscan.evidence.signing import public_key
    from flatscan.evidence.stamp import roots_in
    from flatscan.report.rechecked import recheck_record, recheck_text

    if seal is not None and (len(seal.strip()) != 64 or set(seal.strip().lower()) - set("0123456789abcdef")):
        raise BadValue(
            "{set:seal}", "'{seal}'", needed="64 hex digits", remedy="Copy the seal that sealing printed", seal=seal
        )
    expected = None if key is None else public_key(key)
    roots = None if time_roots is None else roots_in(time_roots)
    with progress_bar(quiet=given["quiet"]) as progress:
        found = room.recheck(file, seal=seal, key=expected, roots=roots, progress=progress)
    record, text = recheck_record(found), recheck_text(found, every=more, units=given["units"])
    made = [("recheck.txt", text_file(text)), ("recheck-result.json", text_file(report.text(record)))]
    hand_out("recheck", given, record, text, made=made)
    if given["quiet"] and not given["as_json"] and found.status != "same":
        # what differs is no mere word
        words(text)
    return _code(found)


def _code(found: Rechecked) -> int:
    return {"same": SAME, "altered": ALTERED}.get(found.status, DIFFERENT)

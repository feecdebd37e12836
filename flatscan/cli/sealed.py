"""The sealed file: one that another party can open, check and run again, and that check."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from flatscan.cli import by_plan, options, refusing, running
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
@options.check_options
@click.option("--sign", type=click.Path(), help="Sign the file with your private key (Ed25519, PEM or OpenSSH).")
@click.option("--title", default="", help="What the file is about, in your words.")
@click.option("--date", default="", help="The day, as you state it; it is not proven.")
@click.option("--grounds", default="", help="How you know how it was measured.")
@click.option("--present", multiple=True, help="Who was present.")
@click.option("--note", "notes", multiple=True, help="A note for page one.")
@click.option("--left-out", multiple=True, help="A capture that was made and left out of the file, and why.")
@click.option("--photo", "photos", type=click.Path(), multiple=True, help="A photo; time and place are taken out.")
@click.option("--keep-photo-data", is_flag=True, help="Leave time, place and device in the photos.")
@click.option("--time-request", is_flag=True, help="Also write a request for a trusted time stamp (RFC 3161).")
@click.option("--time-response", type=click.Path(), help="The authority's answer, to add to the sealed file.")
@options.compare_options
@options.finish_options
@options.quote_options
@options.plan_options
@options.explain_option
@options.more_option
@options.output_options
@options.sealed_sheet_options
def evidence(captures: tuple[str, ...], **given: Any) -> int:
    """Seal captures, settings, results and sheets into one file that another party can check and run again.

    Sealed means unchanged since sealing: origin and wall are not proven, nor the date unless a verified time stamp
    says so. --out names the file (.zip) or its folder. A key is made by its user: openssl genpkey -algorithm ed25519
    -out key.pem. For --time-request and --time-response a sealed file may stand in place of captures.

    Example: flatscan evidence wall.ply --limit 3mm --capture-type scanner --present "both foremen" --sign key.pem
    """
    from flatscan import report

    if set(given["jobs"]) != {"compare"}:
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
    from flatscan.evidence.archive import is_sealed

    answered = given["time_response"] is not None
    if not given["time_request"] and not answered:
        return None
    written = [_path(captures, given["out"])] if answered and not given["overwrite"] else []
    for path in (Path(captures[0]), *written):
        if is_sealed(path):
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

    # a sealed file is no folder of a job: its plan stands where the capture's own is
    each = running.asked_each(captures, given | {"out": _folder(given["out"])})
    sealed_too, jobs, whose = _jobs(captures, each)
    results: list[list[Result]] = [[] for _ in each]
    order = iter(whose)

    def told(found: Result) -> None:
        # a plan in the folder of another capture ends it before anything is sealed
        number = next(order)
        results[number].append(each[number].of(found))

    statement = _statement(given)
    key = _key(given["sign"])
    with progress_bar(quiet=given["quiet"]) as progress:
        sealed = room.seal(
            path,
            sealed_too,
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
    for asked, found in zip(each, results, strict=True):
        if found:
            asked.keep(found[:1])
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


def _jobs(captures: tuple[str, ...], each: list[by_plan.Asked]) -> tuple[list[str], list[Job], list[int]]:
    """All captures, those that plans name too; the jobs on each; and by which of ``each`` a job was asked for."""
    files: list[str] = []
    jobs: list[Job] = []
    whose: list[int] = []
    for number, asked in enumerate(each):
        of_one = [asked.capture] if isinstance(asked.capture, str) else list(asked.capture)
        numbers = tuple(range(len(files), len(files) + len(of_one)))
        files += of_one
        jobs += [_job(name, numbers, asked) for name in _names(asked.given) if name != "compare"]
        whose += [number] * (len(jobs) - len(whose))
    if "compare" in each[-1].given["jobs"]:
        if len(captures) != 2 or len(files) != 2:
            raise click.UsageError("A comparison is sealed with two captures: EARLIER LATER.")
        if not jobs and each[-1].given["overlay_photo"] is not None:
            raise click.UsageError(
                "--overlay-photo goes with a survey or a check: the sheets of a comparison have none."
            )
        jobs.append(_comparison(each[-1]))
        whose.append(len(each) - 1)
    return files, jobs, whose


def _names(given: dict[str, Any]) -> tuple[str, ...]:
    """The jobs asked for, without doubles; without any a check where there is something to judge by, else a survey."""
    judged = given["tolerance"] or any(given[name] is not None for name in running.LIMITS)
    names = tuple(dict.fromkeys(given["jobs"])) or (("check",) if judged else ("survey",))
    if "check" in names and not judged:
        raise click.UsageError("Give the check a limit to judge by: --limit 3mm, or --tolerance ID.")
    return names


def _job(name: str, captures: tuple[int, ...], asked: by_plan.Asked) -> Job:
    """A check or a survey of one wall, with all its settings."""
    from flatscan.evidence import Job, Overlay
    from flatscan.jobs import Requirement

    said = dict(asked.given)
    how, finish = running.capturing(said), running.finishing(said)
    photo = running.overlay(said)
    files = {"plan": asked.used, "paper": said["paper"], "also": _also(said)}
    files |= {} if photo is None else {"overlay": Overlay.of(photo)}
    if name == "check":
        return Job(name, captures, capturing=how, testing=running.judging(said, asked.hand), **files)
    test = Requirement.by(rule=said["rule"], directions=options.degrees(said["directions"]))
    return Job(name, captures, capturing=how, testing=test, finishing=finish, **files)


def _comparison(asked: by_plan.Asked) -> Job:
    """The comparison of two captures, with the plan of the later."""
    from flatscan.cli.compare import asked_of, hows_of
    from flatscan.evidence import Job

    said = dict(asked.given)
    said["tolerance"] = said["tolerance"] or None
    earlier, later = hows_of(said)
    comparing, finish = asked_of(said), running.finishing(said)
    files = {"plan": asked.used, "paper": said["paper"], "also": _also(said)}
    return Job("compare", (0, 1), capturing=later, earlier=earlier, comparing=comparing, finishing=finish, **files)


def _also(said: dict[str, Any]) -> tuple[str, ...]:
    return (*said["also"], *(("explain",) if said["explain"] else ()))


def _folder(out: str | None) -> str | None:
    return None if out is not None and out.lower().endswith(".zip") else out


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
@click.option("--seal", help="The seal, as the file's maker told you by another way.")
@click.option("--key", help="The public key you expect: its 64 signs, or its file.")
@click.option("--time-roots", type=click.Path(), help="Certificates of the time stamp authorities that you trust.")
@options.more_option
@options.output("Folder for the report.  [default: none is written]")
def recheck(file: str, *, seal: str | None, key: str | None, time_roots: str | None, more: bool, **given: Any) -> int:
    """Check a sealed FILE, make all of it again from its captures, and compare each number and sheet.

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

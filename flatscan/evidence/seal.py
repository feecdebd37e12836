"""Making a sealed file: run the jobs, gather captures, settings, results and statements, write them in one form."""

from __future__ import annotations

import hashlib
import json
import platform
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from flatscan import __version__, capture, methods, report
from flatscan.capture.registry import present_file
from flatscan.core.errors import BadValue, FlatscanError, OutputError, unwritten
from flatscan.core.notes import note
from flatscan.evidence.archive import MANIFEST, README, SEAL, TOLERANCES, safe_name, write_archive
from flatscan.evidence.contents import Job, Statement, job_of, member_of, relied_on, settings_of, take_photo
from flatscan.evidence.signing import Key
from flatscan.jobs import Progress, Result, silent
from flatscan.jobs.job_plan import JobPlan
from flatscan.report.parts import Report
from flatscan.report.plan_text import plan_text
from flatscan.report.sealed_page import sealed_page
from flatscan.report.staging import room_in

SCHEMA, KIND = 2, "flatscan evidence"
# the libraries that numbers, drawings and pages come from
_LIBRARIES = ("numpy", "scipy", "numba", "matplotlib", "contourpy", "pillow", "fonttools", "open3d", "opencv-python")


@dataclass(frozen=True)
class Sealed:
    """A sealed file: its path, its seal (the SHA-256 of its manifest, in hex) and the manifest."""

    path: Path
    seal: str
    manifest: dict[str, Any]


class Gathering:
    """Files on their way into a sealed file, by the names they will have there, and what the manifest says of them.

    The one way in which a sealed file comes about: sealing goes it with what somebody gives, rechecking with what the
    sealed file holds, and whatever comes out otherwise was not made by sealing.
    """

    def __init__(self, folder: Path, units: str, progress: Progress) -> None:
        self.folder, self.units, self.progress = folder, units, progress
        self.files: dict[str, Path] = {}
        self.captures: list[dict[str, Any]] = []
        self.jobs: list[dict[str, Any]] = []
        self.photos: list[dict[str, Any]] = []
        self.reports: list[Report] = []
        self._taken: dict[Path, str] = {}
        self._tolerances: dict[str, Any] = {}
        self._inputs = 0

    def capture(self, source: Path) -> None:
        """Take a capture in with every file that reading it opens."""
        member, files = self._take(f"captures/{len(self.captures) + 1:02d}", source, capture.files_of(source))
        self._taken[source.resolve()] = member
        held = [self.files[name] for name in files]
        self.captures.append(
            {
                "member": member,
                "file": source.name,
                "files": files,
                "sha256": digest(held[0]) if len(held) == 1 else _of_all(files, held),
                "bytes": sum(path.stat().st_size for path in held),
            }
        )

    def pack(self, source: Path, is_capture: bool) -> str:
        """Take a file in that a setting names, once however many jobs name it; returns its name in the sealed file."""
        key = source.resolve()
        if key not in self._taken:
            parts = capture.files_of(source) if is_capture else (present_file(source),)
            self._inputs += 1
            self._taken[key] = self._take(f"inputs/{self._inputs:02d}", source, parts)[0]
        return self._taken[key]

    def _take(self, under: str, source: Path, parts: Sequence[Path]) -> tuple[str, list[str]]:
        """Copies of a file, or of all files of a capture, below a folder of their own; its name and all of theirs."""
        base = _base(source, parts)
        names = [_below(base, part) for part in parts]
        for name, part in zip(names, parts, strict=True):
            self._add(f"{under}/{name}", part)
            copy = self.folder / under / name
            copy.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(part, copy)
            self.files[f"{under}/{name}"] = copy
        return f"{under}/{_below(base, source)}", [f"{under}/{name}" for name in names]

    def _add(self, name: str, source: Path) -> None:
        if not safe_name(name):
            raise BadValue(
                source,
                "a name that not every system can unpack ('{name}')",
                needed='a file name without \\ : * ? " < > | and under 200 letters',
                remedy="Rename the file",
                name=source.name,
            )
        self.files[name] = source

    def job(self, job: Job) -> Result:
        """Run a job on the copies that were taken in, with the files its settings name taken in too; write its sheets.

        Gives its result.

        Raises all errors of the job.
        """
        number = len(self.jobs) + 1
        folder = f"results/{number:02d}-{job.command}"
        described = {
            "command": job.command,
            "captures": list(job.captures),
            "units": self.units,
            "paper": job.paper,
            "also": list(job.also),
            "settings": settings_of(job, self.pack),
        }
        paths = {one["member"]: self.folder / one["member"] for one in self.captures}
        # run with what is sealed, not with what it was copied from: so another party runs it too
        sealed = job_of(described, paths | self._inputs_by_name())
        try:
            found = sealed.run(tuple(paths.values()), self.progress)
            self.progress(note("stage.sheets"), None)
            how: dict[str, Any] = {
                "paper": job.paper,
                "formats": (*report.USUAL, *job.also),
                "photo": sealed.overlay.drawn,
            }
            written = report.write(found, self.folder / folder, units=self.units, **how)
        except FlatscanError as trouble:
            raise self._by_its_own_name(trouble) from None
        for sheet in written:
            self._add(f"{folder}/{sheet.name}", sheet)
        self._tolerances |= {entry.id: entry for entry in sealed.tolerances}
        self.reports.append(report.report_of(found))
        if sealed.plan.said != JobPlan():
            # as a file that another run may be given
            self._write(f"plan-{number:02d}.toml", plan_text(sealed.plan.said, "", self.folder / "plan.toml"))
        self.jobs.append(described | {"result": f"{folder}/{written[-1].name}"})
        return found

    def _by_its_own_name(self, trouble: FlatscanError) -> FlatscanError:
        """Trouble with a copy as trouble with the file that it was copied from."""
        for source, name in self._taken.items():
            trouble = trouble.calling(str(self.folder / name), str(source))
        return trouble

    def _inputs_by_name(self) -> dict[str, Path]:
        return {name: self.folder / name for name in self._taken.values()}

    def take_photos(self, photos: Sequence[str | Path], *, keep_metadata: bool) -> None:
        """Take photos in, their data taken out unless it is kept."""
        (self.folder / "photos").mkdir(exist_ok=True)
        for number, photo in enumerate(photos, 1):
            taken = take_photo(photo, self.folder / "photos" / f"{number:02d}", keep_metadata=keep_metadata)
            name = f"photos/{taken.path.name}"
            self._add(name, taken.path)
            self._taken[Path(photo).resolve()] = name
            self.photos.append(
                {
                    "member": name,
                    "file": taken.name,
                    "original_sha256": taken.original_sha256,
                    "metadata": "kept" if taken.kept else "stripped",
                }
            )

    def keep_photos(self, described: Sequence[tuple[str, dict[str, Any]]], members: Mapping[str, Path]) -> None:
        """Take photos of a sealed file in as they are."""
        for name, said in described:
            copy = self.folder / name
            copy.parent.mkdir(exist_ok=True)
            shutil.copyfile(members[name], copy)
            self._add(name, copy)
            self._taken[members[name].resolve()] = name
            self.photos.append(said)

    def manifest(
        self, statement: Statement, signer: str | None, made_with: Mapping[str, str] | None = None
    ) -> dict[str, Any]:
        """Write texts, tolerances and page one; the manifest without its list of members.

        ``made_with`` are the versions that a file is said to be made with, where it is not made now.
        """
        self._write(TOLERANCES, dumps(report.tolerance_records(list(self._tolerances.values()))))
        texts = relied_on(json.loads(self.files[job["result"]].read_bytes()) for job in self.jobs)
        for name in texts:
            self._write(member_of(name), methods.load(name).text)
        said = {
            "schema": SCHEMA,
            "kind": KIND,
            "versions": versions() if made_with is None else dict(made_with),
            **json.loads(json.dumps(asdict(statement))),
            "captures": self.captures,
            "jobs": self.jobs,
            "methods": list(texts),
            "photos": self.photos,
            "signed_by": signer,
        }
        self._write(README, sealed_page(said, self.reports, self.units))
        return said

    def _write(self, name: str, text: str) -> None:
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
        self.files[name] = path

    def close(self, manifest: dict[str, Any], key: Key | None) -> str:
        """Write the manifest over all members, and the seal over the manifest; returns the seal."""
        manifest["members"] = member_list(self.files)
        text = dumps(manifest)
        self._write(MANIFEST, text)
        said = hashlib.sha256(text.encode()).hexdigest()
        signature = None if key is None else key.sign(text.encode()).hex()
        self._write(SEAL, dumps(seal_record(said, manifest["signed_by"], signature)))
        return said


def _base(source: Path, parts: Sequence[Path]) -> Path:
    """The nearest folder above a capture that all of its files lie below."""
    return next(
        above for above in source.absolute().parents if all(part.absolute().is_relative_to(above) for part in parts)
    )


def _below(base: Path, path: Path) -> str:
    """A file's name as counted from a folder above it."""
    return path.absolute().relative_to(base).as_posix()


def _of_all(names: Sequence[str], held: Sequence[Path]) -> str:
    """SHA-256 of the names and hashes of all files of a capture."""
    whole = hashlib.sha256()
    for name, path in zip(names, held, strict=True):
        whole.update(f"{name}\0{digest(path)}\n".encode())
    return whole.hexdigest()


def seal(
    path: str | Path,
    captures: Sequence[str | Path],
    jobs: Sequence[Job],
    *,
    statement: Statement | None = None,
    photos: Sequence[str | Path] = (),
    keep_metadata: bool = False,
    key: Key | None = None,
    units: str = "mm",
    overwrite: bool = False,
    progress: Progress = silent,
    told: Callable[[Result], None] = lambda _found: None,
) -> Sealed:
    """Run the jobs on the captures and write a sealed file at ``path``; ``told`` gets the result of each.

    The same input, version and key give the same bytes. Raises `OutputError` where the file stands already (without
    ``overwrite``) or cannot be written, `BadValue` without a job, and all errors of the jobs.
    """
    path = Path(path)
    if path.exists() and not overwrite:
        raise OutputError(
            path,
            "the file is there already",
            needed="a name that is free",
            remedy="Choose another with {set:out}, or give {set:overwrite}",
        )
    if {k for job in jobs for k in job.captures} != set(range(len(captures))) or not jobs:
        raise BadValue(
            path,
            "{jobs} jobs on {captures} captures",
            needed="a job for every capture, and no other",
            remedy="Name what is to be run and sealed",
            jobs=len(jobs),
            captures=len(captures),
        )
    new_folder = not path.parent.exists()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with room_in(path.parent) as folder:
            gathering = Gathering(folder, units, progress)
            # the picture a contour is laid over is sealed as any photo is, and named once
            laid = (job.overlay.photo for job in jobs if job.overlay.photo)
            every = {Path(one).resolve(): one for one in (*photos, *laid)}
            gathering.take_photos(list(every.values()), keep_metadata=keep_metadata)
            for one in captures:
                gathering.capture(Path(one))
            for job in jobs:
                told(gathering.job(job))
            manifest = gathering.manifest(statement or Statement(), None if key is None else key.public)
            said = gathering.close(manifest, key)
            beside = folder / "beside.zip"
            write_archive(beside, gathering.files)
            beside.replace(path)
    except OSError as reason:
        raise unwritten(path, reason, "Choose another with {set:out}") from reason
    finally:
        if new_folder and path.parent.is_dir() and not any(path.parent.iterdir()):
            path.parent.rmdir()
    return Sealed(path, said, manifest)


def seal_record(said: str, public: str | None, signature: str | None) -> dict[str, Any]:
    """What seal.json holds."""
    return {"manifest_sha256": said, "public_key": public, "signature": signature}


def member_list(files: Mapping[str, Path]) -> list[dict[str, Any]]:
    """What a manifest says of its members: each once, by name."""
    return [
        {"name": name, "bytes": source.stat().st_size, "sha256": digest(source)}
        for name, source in sorted(files.items())
    ]


def digest(path: Path) -> str:
    """SHA-256 of a file in hex (FIPS 180-4)."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def dumps(record: Any) -> str:
    """JSON in the one form used in sealed files."""
    return json.dumps(record, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def versions() -> dict[str, str]:
    """Versions of what numbers, drawings and pages come from, and the kind of processor."""
    found = {"flatscan": __version__, "Python": platform.python_version(), "machine": platform.machine()}
    return found | {name: _version(name) for name in _LIBRARIES}


def _version(library: str) -> str:
    try:
        return version(library)
    except PackageNotFoundError:
        return "none"

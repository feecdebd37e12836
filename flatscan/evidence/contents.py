"""What goes into a sealed file beside the captures: jobs and their settings, texts, what its maker states, photos."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from flatscan import methods, report
from flatscan.core.choices import EXTRA_FILES, PAPERS
from flatscan.core.errors import ReadError
from flatscan.core.notes import note
from flatscan.core.records import NotARecord, Problem
from flatscan.core.records import from_plain as record_of
from flatscan.core.records import to_plain as plain_of
from flatscan.evidence.archive import TEXTS, Altered
from flatscan.jobs import (
    Capturing,
    Comparing,
    Finishing,
    Progress,
    Requirement,
    Result,
    check,
    compare_surveys,
    lows,
    set_out,
    survey,
)
from flatscan.jobs.belonging import in_job
from flatscan.jobs.job_plan import PlanUsed
from flatscan.plan.lows import LIMIT as LOW_LIMIT
from flatscan.plan.screeds import SetOutOptions
from flatscan.report.rechecked import SealedText
from flatscan.standards import Tolerance

COMMANDS = ("survey", "check", "compare", "setout", "lows")
# what may be written beside the usual sheets
MORE_FILES = (*EXTRA_FILES, "explain")


@dataclass(frozen=True, slots=True)
class PhotoTarget:
    """A printed target by its ``number``, its middle at x, y on the wall [m]."""

    number: int
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class Overlay:
    """The ``photo`` a contour is laid over (empty: none), and what is known in it, as `report.Photo` has it."""

    photo: str = ""
    corners: tuple[tuple[float, float], ...] = ()
    targets: tuple[PhotoTarget, ...] = ()
    target_size: float | None = None

    @classmethod
    def of(cls, photo: report.Photo) -> Overlay:
        """The overlay with that photo; what is known in it by points of another kind is left out."""
        targets = tuple(PhotoTarget(number, *at) for number, at in sorted(photo.targets.items()))
        return cls(str(photo.path), tuple(photo.corners), targets, photo.target_size)

    @property
    def drawn(self) -> report.Photo | None:
        """What the contour is laid over, None without a photo."""
        if not self.photo:
            return None
        targets = {one.number: (one.x, one.y) for one in self.targets}
        return report.Photo(Path(self.photo), self.corners, targets, self.target_size)


# parts of a job's settings and what each of them is
PARTS: dict[str, type] = {
    "capturing": Capturing,
    "testing": Requirement,
    "finishing": Finishing,
    "comparing": Comparing,
    "earlier": Capturing,
    "plan": PlanUsed,
    "overlay": Overlay,
}
Pack = Callable[[Path, bool], str]
_QUALITY = 95


@dataclass(frozen=True)
class Job:
    """One command on one capture (two for compare, several where they are one wall), with all its settings.

    ``captures`` are positions in the list of captures, from 0. ``earlier`` is how compare's first capture is read.
    ``plan`` is the plan of the job, ``overlay`` a photo that its contour is laid over, ``paper`` what its
    sheets are printed on, ``also`` what else is written.
    """

    command: str
    captures: tuple[int, ...]
    capturing: Capturing = field(default_factory=Capturing)
    testing: Requirement = field(default_factory=Requirement)
    finishing: Finishing = field(default_factory=Finishing)
    comparing: Comparing = field(default_factory=Comparing)
    earlier: Capturing = field(default_factory=Capturing)
    plan: PlanUsed = field(default_factory=PlanUsed)
    overlay: Overlay = field(default_factory=Overlay)
    paper: str = PAPERS[0]
    also: tuple[str, ...] = ()

    def run(self, paths: tuple[Path, ...], progress: Progress) -> Result:
        """The result of this job on capture files; raises the errors of the command."""
        return in_job(self._found(paths, progress), self.plan)

    def _found(self, paths: tuple[Path, ...], progress: Progress) -> Result:
        chosen = [paths[k] for k in self.captures]
        one: Any = tuple(chosen) if self.capturing.same_wall else chosen[0]
        if self.command == "check":
            return check(one, self.capturing, self.testing, progress)
        if self.command == "compare":
            hows = (self.earlier, self.capturing)
            return compare_surveys(chosen[0], chosen[1], hows, self.comparing, self.finishing, progress)
        if self.command == "setout":
            spaced = SetOutOptions(rule=self.testing.rule)
            return set_out(one, self.capturing, self.testing, self.finishing, spaced, progress)
        if self.command == "lows":
            plan = self.plan.said
            return lows(one, self.capturing, self.testing, plan.limit or LOW_LIMIT, progress, plan.shave)
        return survey(one, self.capturing, self.testing, self.finishing, progress)

    @property
    def tolerances(self) -> tuple[Tolerance, ...]:
        """The published entries that anything is judged by."""
        tests = (self.testing, self.comparing.background, self.comparing.finish)
        return tuple(entry for test in tests if test is not None for entry in test.tolerances)


def settings_of(job: Job, pack: Pack) -> dict[str, Any]:
    """The settings of a job as a manifest has them; ``pack`` takes each file that they name."""
    plain = {part: to_plain(getattr(job, part), pack) for part in PARTS}
    return {part: said for part, said in plain.items() if said or part == "capturing"}


def job_of(described: Mapping[str, Any], files: Mapping[str, Path]) -> Job:
    """The job out of a manifest, with the ``files`` it names; raises what `from_plain` does."""
    settings = described["settings"]
    said: dict[str, Any] = {part: from_plain(PARTS[part], plain, files) for part, plain in settings.items()}
    sheets = {"paper": described["paper"], "also": tuple(described["also"])}
    return Job(described["command"], tuple(described["captures"]), **said, **sheets)


@dataclass(frozen=True)
class Photo:
    """A photo as it goes into the sealed file, its own name, the hash of the original, and whether its data is kept."""

    path: Path
    name: str
    original_sha256: str
    kept: bool


def take_photo(path: str | Path, target: Path, *, keep_metadata: bool) -> Photo:
    """Copy a photo to ``target`` without its suffix's metadata: as it is if kept, else its picture alone.

    The picture is turned as the camera's tag says and written anew as JPEG or PNG, so no time, place, device or
    thumbnail is left. Raises `ReadError` for a file that is no picture.
    """
    from PIL import Image, ImageOps, UnidentifiedImageError

    path = Path(path)
    try:
        data = path.read_bytes()
        with Image.open(path) as picture:
            suffix = ".png" if picture.format == "PNG" else ".jpg"
            if keep_metadata:
                target = target.with_suffix(path.suffix.lower() or suffix)
                target.write_bytes(data)
            else:
                target = target.with_suffix(suffix)
                _bare(ImageOps.exif_transpose(picture)).save(target, quality=_QUALITY)
    except (UnidentifiedImageError, OSError, Image.DecompressionBombError) as reason:
        raise ReadError(
            path,
            "not a picture that can be read ({reason})",
            needed="a JPEG or PNG",
            remedy="Export the photo as JPEG",
            reason=" ".join(str(reason).split())[:80],
        ) from None
    return Photo(target, path.name, hashlib.sha256(data).hexdigest(), keep_metadata)


def photos_kept(stated: Any, members: Mapping[str, Path]) -> list[tuple[str, dict[str, Any]]]:
    """Photos of a sealed file, each its member and how it is described; raises `Altered` where that cannot be true.

    A photo whose data is said to be kept has the hash of its original; one that is said to be stripped holds none.
    """
    if not isinstance(stated, list):
        raise Altered(note("evidence.not-as-sealing"))
    kept = []
    for number, one in enumerate(stated, 1):
        member = str(one.get("member")) if isinstance(one, dict) else ""
        if member not in members or not re.fullmatch(rf"photos/{number:02d}(\.[a-z0-9]{{2,5}})", member):
            raise Altered(note("evidence.not-as-sealing"))
        said = {"member": member} | {name: str(one.get(name)) for name in ("file", "original_sha256", "metadata")}
        data = members[member].read_bytes()
        whole = hashlib.sha256(data).hexdigest() == said["original_sha256"]
        if not (whole if said["metadata"] == "kept" else said["metadata"] == "stripped" and _holds_none(data)):
            raise Altered(note("evidence.other-photo", name=member))
        kept.append((member, said))
    return kept


def _holds_none(data: bytes) -> bool:
    """Whether a picture is without time, place and whatever else a camera adds."""
    from io import BytesIO

    from PIL import Image, UnidentifiedImageError

    try:
        with Image.open(BytesIO(data)) as picture:
            return picture.format in ("JPEG", "PNG") and not (
                {"exif", "xmp", "comment", "icc_profile"} & set(picture.info)
            )
    except (UnidentifiedImageError, OSError, ValueError, Image.DecompressionBombError):
        return False


def _bare(picture):  # type: ignore[no-untyped-def]
    """The pixels alone in a new picture."""
    from PIL import Image

    shown = picture.convert("RGB")
    bare = Image.new("RGB", shown.size)
    bare.paste(shown)
    return bare


@dataclass(frozen=True)
class Statement:
    """What the maker of a sealed file states in words; nothing of it is proven.

    ``grounds`` is why the capture type is what it is said to be, ``left_out`` captures that were made and are not in
    the file, with the reason, ``date`` the day as stated.
    """

    title: str = ""
    date: str = ""
    grounds: str = ""
    present: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()


class OddSetting(ReadError):
    """A setting that sealing never writes."""


T = TypeVar("T")
# fields that may name a file of the user's own, which then has to travel along
_FILES = frozenset({"repeat", "tie", "system", "points", "rates", "hand", "clash", "same_wall", "photo"})
# among them captures, which may be folders
_CAPTURES = frozenset({"repeat", "tie", "same_wall"})
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]*")


def to_plain(settings: Any, pack: Pack) -> dict[str, Any]:
    """A settings dataclass as an object of JSON: fields that differ from their defaults, nested ones alike.

    ``pack`` takes each file a setting names, and whether it is a capture, and gives its name in the sealed file.
    """

    def packed(value: Any, name: str) -> Any:
        # a system may be one that ships with the package
        shipped = name == "system" and not Path(str(value)).is_file() and Path(str(value)).suffix == ""
        return value if shipped or not isinstance(value, str) else {"file": pack(Path(value), name in _CAPTURES)}

    plain: dict[str, Any] = _with_files(plain_of(settings, sparse=True), packed)
    return plain


def from_plain(kind: type[T], plain: Any, files: Mapping[str, Path]) -> T:
    """The settings dataclass ``kind`` from its plain form, the ``files`` it names by their names in the sealed file.

    Nothing outside ``files`` is ever opened. Raises `ReadError` for a setting that this version does not know, and
    `OddSetting` for a value of another kind, or a file that is not in the sealed file.
    """

    def opened(value: Any, name: str) -> Any:
        if isinstance(value, dict):
            if set(value) != {"file"} or not isinstance(value["file"], str) or value["file"] not in files:
                raise _odd("file", value)
            return str(files[str(value["file"])])
        if isinstance(value, str) and (name != "system" or not _NAME.fullmatch(value)):
            # a name of something that ships with the package, never a path on the checker's machine
            raise _odd("file", value)
        return value

    try:
        return record_of(kind, _with_files(plain, opened))
    except NotARecord as wrong:
        raise _refused(wrong.problems[0]) from None


def _with_files(plain: Any, change: Callable[[Any, str], Any], name: str = "") -> Any:
    """Plain data with every value changed that stands where a file may be named."""
    if isinstance(plain, list):
        return [_with_files(part, change, name) for part in plain]
    if name in _FILES:
        return change(plain, name)
    if isinstance(plain, dict):
        return {key: _with_files(value, change, key) for key, value in plain.items()}
    return plain


def _refused(problem: Problem) -> ReadError:
    if problem.what == "unknown":
        return ReadError(
            "manifest.json",
            "the setting '{name}' of {kind}",
            needed="settings this version knows",
            remedy="Run the version of flatscan that sealed the file",
            name=problem.at,
            kind=problem.kind,
        )
    return _odd(problem.at or problem.kind, problem.found or problem.what)


def _odd(name: str, value: Any) -> OddSetting:
    return OddSetting(
        "manifest.json",
        "{name} = {value}",
        needed="a setting as sealing writes it",
        remedy="Do not trust this file: its settings were not written by sealing",
        name=name,
        value=str(value)[:60],
    )


_ALWAYS = ("record", "definitions", "uncertainty")
# parts of a result document and the texts that say how they come about
_BY_PART = {
    "flatness": ("straightedge", "decision"),
    "verdict": ("straightedge", "decision"),
    "lows": ("straightedge",),
    "material": ("finish-plane", "trade"),
    "hacking": ("finish-plane", "trade"),
    "setout": ("finish-plane", "trade"),
    "compare": ("comparison",),
}


def member_of(name: str) -> str:
    """The name of a text's member in a sealed file."""
    return f"{TEXTS}/{name}.md"


def relied_on(results: Iterable[Mapping[str, Any]]) -> tuple[str, ...]:
    """Names of the texts that say how the numbers of these result documents come about, in reading order."""
    wanted = set(_ALWAYS)
    for result in results:
        for part, texts in _BY_PART.items():
            wanted.update(texts if result.get(part) is not None else ())
        wanted.update(_of_capture(result))
        if _names_tolerance(result):
            wanted.add("tolerances")
    return tuple(name for name in methods.NAMES if name in wanted)


def _of_capture(result: Mapping[str, Any]) -> set[str]:
    """Texts that depend on how the wall was captured."""
    wanted = set() if result["wall"]["cell_mm"] is None else {"walls"}
    wanted |= {"tie"} if result["capture"].get("tie") else set()
    return wanted | ({"laser-line"} if result["capture"]["type"] in ("laser-line", "laser-sweep") else set())


def _names_tolerance(result: Mapping[str, Any]) -> bool:
    judged = [result.get("verdict"), (result.get("compare") or {}).get("background")]
    return any(one and one.get("tolerance") for one in judged)


def sealed_texts(names: Iterable[str], members: Mapping[str, Path]) -> tuple[SealedText, ...]:
    """Each text a sealed file names beside this version's wording of it."""
    return tuple(
        SealedText(name, _same(members[member_of(name)].read_bytes(), name) if name in methods.NAMES else None)
        for name in names
    )


def _same(sealed: bytes, name: str) -> bool:
    return sealed == methods.load(name).text.encode()

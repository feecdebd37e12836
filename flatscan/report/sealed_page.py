"""Page one of a sealed file, in words."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from flatscan.core.notes import Note, note
from flatscan.core.phrase import Manner, command_line, written
from flatscan.core.quantity import Quantity, cubic_metres, metres, share, slope
from flatscan.report.parts import Report
from flatscan.report.say import Said, is_item, say
from flatscan.report.sections.gap_section import as_restricted

WIDTH = 88
# settings that are no lengths: numbers of things, shares, angles; slopes are m per m, volumes m3
_BARE = frozenset(
    {
        "wall",
        "seen_from",
        "crop",
        "no_opening",
        "confidence",
        "directions",
        "waste",
        "worth",
        "rate",
        "parallel_to",
        "square_to",
        "reference_walls",
        "light",
        "corners",
        "number",
    }
)
_SLOPES, _VOLUMES = frozenset({"lean", "turn", "lean_up_to", "turn_up_to"}), frozenset({"quoted", "used"})


def sealed_page(manifest: Mapping[str, Any], reports: Sequence[Report], units: str = "mm") -> str:
    """The text of README.txt, from the manifest and the reports of its jobs."""
    lines: list[str] = []
    for text in _paragraphs(manifest, reports, command_line(units)):
        words = say(text, units)
        indent = "  " if is_item(text, "- ") else ""
        lines += textwrap.wrap(words, WIDTH, subsequent_indent=indent, break_on_hyphens=False) or [""]
    return "\n".join(lines) + "\n"


def _paragraphs(manifest: Mapping[str, Any], reports: Sequence[Report], manner: Manner) -> Iterator[Said]:
    yield note("sealed.title")
    yield ""
    yield note("sealed.not-proven")
    yield ""
    yield note("sealed.open-it")
    yield ""
    yield from papers_of(reports)
    yield ""
    yield from _stated(manifest)
    for number, (job, report) in enumerate(zip(manifest["jobs"], reports, strict=True), 1):
        yield ""
        yield from _job(number, job, report, manifest["grounds"], manner)
    yield ""
    yield from _list(note("sealed.left-out"), manifest["left_out"], note("sealed.none-stated"))
    yield from _list(note("sealed.photos"), [_photo(photo) for photo in manifest["photos"]])
    yield from _list(note("sealed.methods"), [f"methods/{name}.md" for name in manifest["methods"]])
    signer = manifest["signed_by"]
    yield note("sealed.signed", key=signer) if signer else note("sealed.unsigned")
    yield note("sealed.time")
    made_with = tuple(f"{name} {version}" for name, version in manifest["versions"].items())
    yield note("sealed.made-with", versions=made_with)


def papers_of(reports: Sequence[Report]) -> tuple[Note, ...]:
    """What stands at the foot of the papers of each job, each once, to match a paper to its sealed file by eye."""
    return tuple(dict.fromkeys(note("sealed.papers", marks=report.marks) for report in reports))


def _stated(manifest: Mapping[str, Any]) -> Iterator[Note]:
    yield note("sealed.title-stated", title=manifest["title"] or note("report.none"))
    yield note("sealed.date-stated", date=manifest["date"] or note("report.none"))
    yield from _list(note("sealed.present"), manifest["present"], note("sealed.not-stated"))
    yield from _list(note("sealed.notes"), manifest["notes"])
    captures = (
        note(
            "sealed.capture" if len(one["files"]) == 1 else "sealed.capture-of-several",
            number=number,
            files=len(one["files"]),
            **{name: one[name] for name in ("file", "bytes", "sha256")},
        )
        for number, one in enumerate(manifest["captures"], 1)
    )
    yield from _list(note("sealed.captures"), list(captures))


def _job(number: int, job: Mapping[str, Any], report: Report, grounds: str, manner: Manner) -> Iterator[Note]:
    how, wall, capture = job["settings"]["capturing"], _values(report, "wall"), _values(report, "capture")
    captures = tuple(k + 1 for k in job["captures"])
    yield note(
        "sealed.job", number=number, command=job["command"], captures=captures, wall=f"{wall['number']}{wall['part']}"
    )
    declared = "sealed.type-declared" if how.get("capture_type") else "sealed.type-taken"
    yield note(declared, type=capture["type"], grounds=grounds or note("sealed.no-grounds"))
    yield from _list(note("sealed.judged-by"), list(_limits(report)), note("sealed.nothing-judged"))
    changed = [
        note("sealed.setting", part=part, text=text)
        for part, plain in job["settings"].items()
        for text in setting_lines(plain, manner)
    ]
    yield from _list(note("sealed.changed"), changed)
    yield from _list(note("sealed.excluded"), list(_excluded(how, wall["covered_share"])))
    by_hand = [_rectangle("sealed.rectangle", corners) for corners in how.get("opening", ())]
    by_hand += [note("sealed.taken-as-wall", number=opening) for opening in how.get("no_opening", ())]
    yield from _list(note("sealed.openings"), by_hand)
    yield from _list(note("sealed.warnings"), report.notes)


def _values(report: Report, name: str) -> Mapping[str, Any]:
    section = report.section(name)
    assert section is not None
    assert isinstance(section.values, Mapping)
    return section.values


def _limits(report: Report) -> Iterator[Note]:
    """Each criterion with its limit, where that came from and the decision."""
    if report.section("verdict") is None:
        return
    verdict = _values(report, "verdict")
    for criterion, limit in zip(verdict["criteria"], verdict["limits"], strict=True):
        decision = as_restricted(note(f"verdict.is-{criterion['decision']}"), verdict["restricted"])
        yield note("sealed.limit", name=criterion["name"], limit=limit, decision=decision)


def _excluded(how: Mapping[str, Any], covered: Quantity) -> Iterator[Note]:
    if how.get("region"):
        yield _rectangle("sealed.outside-region", how["region"])
    missing = 1 - covered.value
    if missing >= 0.0005:
        yield note("sealed.not-measured", share=share(missing))


def _rectangle(code: str, corners: Sequence[float]) -> Note:
    x0, y0, x1, y1 = (metres(value) for value in corners)
    return note(code, x0=x0, x1=x1, y0=y0, y1=y1)


def _photo(photo: Mapping[str, Any]) -> Note:
    code = "sealed.photo-kept" if photo["metadata"] == "kept" else "sealed.photo-bare"
    return note(code, member=photo["member"], file=photo["file"], sha256=photo["original_sha256"])


def _list(head: Note, items: Sequence[Said], empty: Note | None = None) -> Iterator[Note]:
    """A head with its items below it, or with the word that there are none."""
    if not items:
        yield note("sealed.empty", head=head, empty=note("report.none") if empty is None else empty)
        return
    yield note("sealed.head", head=head)
    yield from (note("sealed.item", item=item) for item in items)


def setting_lines(plain: Mapping[str, Any], manner: Manner, prefix: str = "") -> list[str]:
    """Each changed setting of a job as it was sealed, in words such as ``plane, least: 6 mm``."""
    said = []
    for name, value in plain.items():
        label = f"{prefix}{name.replace('_', ' ')}"
        if isinstance(value, dict) and set(value) == {"file"}:
            text = say(note("sealed.file", file=value["file"]), manner)
        elif isinstance(value, dict):
            said += setting_lines(value, manner, f"{label}, ")
            continue
        elif isinstance(value, list) and value and all(isinstance(part, dict) for part in value):
            text = "; ".join(_entry(part, manner) for part in value)
        else:
            text = _amount(name, value, manner)
        said.append(say(note("report.setting", name=label, value=text), manner))
    return said


def _amount(name: str, value: Any, manner: Manner) -> str:
    """A setting's value with its unit, lists part by part."""
    if isinstance(value, list):
        parts = ((part, _amount(name, part, manner)) for part in value)
        return ", ".join(f"({text})" if isinstance(part, list) else text for part, text in parts)
    if isinstance(value, bool):
        return say(note("sealed.yes") if value else note("sealed.no"), manner)
    if not isinstance(value, (int, float)) or name in _BARE:
        return str(value)
    if name in _SLOPES:
        return written(slope(value), "slope", manner)
    return written(cubic_metres(value), "volume.1", manner) if name in _VOLUMES else _length(value, manner)


def _length(value: float, manner: Manner) -> str:
    return written(metres(value), "length.g", manner)


def _entry(part: Mapping[str, Any], manner: Manner) -> str:
    """One entry of a list: its id or file where it has one, else all of it."""
    return str(part.get("id") or part.get("file") or ", ".join(setting_lines(part, manner)))

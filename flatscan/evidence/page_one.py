"""Page one of a sealed file: what it is, what its maker declares, what was changed and left out, what is not proven."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from typing import Any

from flatscan.evidence.settings import in_words

WIDTH = 88
NOT_PROVEN = (
    "Sealed means unchanged since sealing: origin, wall and date are not proven. Nothing here shows who captured what, "
    "where or when; a signature shows only that the holder of its key sealed these bytes."
)
OPEN_IT = (
    "This is a plain zip. Check it with: flatscan recheck FILE, which compares every hash, reruns every job from the "
    "captures and sets each number beside the sealed one. Without flatscan: the SHA-256 of every member stands in "
    "manifest.json, that of manifest.json in seal.json."
)
RECORD = "A record of measurement. The limit is as entered; the contract's document and edition govern."


def page_one(manifest: Mapping[str, Any], results: list[Mapping[str, Any]]) -> str:
    """The text of README.txt, from the manifest and the result documents of its jobs."""
    lines: list[str] = []
    for text in _paragraphs(manifest, results):
        indent = "  " if text.startswith("- ") else ""
        lines += textwrap.wrap(text, WIDTH, subsequent_indent=indent, break_on_hyphens=False) or [""]
    return "\n".join(lines) + "\n"


def _paragraphs(manifest: Mapping[str, Any], results: list[Mapping[str, Any]]) -> Iterator[str]:
    yield "SEALED RECORD OF A WALL SURVEY"
    yield ""
    yield NOT_PROVEN
    yield ""
    yield f"{RECORD} {OPEN_IT}"
    yield ""
    yield from _stated(manifest)
    for number, (job, result) in enumerate(zip(manifest["jobs"], results, strict=True), 1):
        yield ""
        yield from _job(number, job, result, manifest)
    yield ""
    yield from _list("Captures made and left out of this file", manifest["left_out"], "none stated")
    yield from _list("Photos", [_photo(photo) for photo in manifest["photos"]], "none")
    yield from _list("How it was computed and decided", [f"methods/{name}.md" for name in manifest["methods"]], "none")
    signer = manifest["signed_by"]
    yield f"Signed by the key {signer} (Ed25519)." if signer else "Not signed: see recheck --seal."
    versions = ", ".join(f"{name} {version}" for name, version in manifest["versions"].items())
    yield f"Made with {versions}."


def _stated(manifest: Mapping[str, Any]) -> Iterator[str]:
    yield f"Title, as stated: {manifest['title'] or 'none'}"
    yield f"Date, as stated: {manifest['date'] or 'none'}"
    yield from _list("Who was present, as stated", manifest["present"], "not stated")
    yield from _list("Notes", manifest["notes"], "none")
    yield "Captures:"
    for number, capture in enumerate(manifest["captures"], 1):
        yield f"- {number}: {capture['file']}, {capture['bytes']:,} bytes, SHA-256 {capture['sha256']}"


def _job(number: int, job: Mapping[str, Any], result: Mapping[str, Any], manifest: Mapping[str, Any]) -> Iterator[str]:
    captures = ", ".join(str(k + 1) for k in job["captures"])
    yield f"JOB {number}: {job['command']} of capture {captures}, wall {result['wall']['number']}"
    capture, wall = result["capture"], result["wall"]
    grounds = manifest["grounds"] or "no grounds stated"
    declared = "declared" if job["settings"]["capturing"].get("capture_type") else "not declared, taken as"
    yield f"Capture type {declared}: {capture['type']}; grounds: {grounds}"
    yield from _list("Judged by", _limits(result), "nothing was judged")
    changed = [f"{part}: {text}" for part, plain in job["settings"].items() for text in in_words(plain)]
    yield from _list("Every default changed", changed, "none")
    yield from _list("Areas excluded", _excluded(job, wall), "none")
    by_hand = [_rectangle(o) for o in job["settings"]["capturing"].get("opening", ())]
    by_hand += [f"found opening {n} taken as wall" for n in job["settings"]["capturing"].get("no_opening", ())]
    yield from _list("Openings set by hand", by_hand, "none")
    yield from _list("Warnings", capture["warnings"], "none")


def _limits(result: Mapping[str, Any]) -> list[str]:
    verdict = result.get("verdict")
    if not verdict:
        return []
    source = f"tolerance {verdict['tolerance']}" if verdict["tolerance"] else "as entered"
    return [f"{one['name']}, limit {one['limit_mm']:g} mm, {source}: {one['decision']}" for one in verdict["criteria"]]


def _excluded(job: Mapping[str, Any], wall: Mapping[str, Any]) -> list[str]:
    region = job["settings"]["capturing"].get("region")
    said = [f"everything outside the region {_rectangle(region)}"] if region else []
    missing = 1 - (wall["covered_share"] if wall["covered_share"] is not None else 1)
    return said + ([f"{missing * 100:.1f} % of the wall, not measured"] if missing >= 0.0005 else [])


def _rectangle(corners: Any) -> str:
    x0, y0, x1, y1 = (round(value * 1000) for value in corners)
    return f"x {x0} to {x1}, y {y0} to {y1} mm"


def _photo(photo: Mapping[str, Any]) -> str:
    kept = "time and place kept by choice" if photo["metadata"] == "kept" else "time and place taken out"
    return f"{photo['member']}: {photo['file']}, {kept}; original's SHA-256 {photo['original_sha256']}"


def _list(head: str, items: Any, empty: str) -> Iterator[str]:
    yield f"{head}:" if items else f"{head}: {empty}"
    yield from (f"- {item}" for item in items)

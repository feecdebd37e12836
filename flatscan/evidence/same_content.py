"""Whether a sheet made anew shows its reader what the sealed one shows, where their bytes differ.

Another version of a library may pack the same drawing in other bytes. Here that is proven, never assumed: a picture by
every pixel, a PDF by every object in it, and only where those differ by every word and line, within half a millimetre.
Of anything else only the same bytes are the same.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from flatscan.core.notes import Note, note

# what a place on paper may be off by [points]: 0.5 mm
_PLACE = 0.5 / 25.4 * 72
# a share of a colour or of black: one step of eight bits
_TONE = 1 / 255
_LONGEST = 70
# a sealed sheet so much larger than ours is not the same one packed otherwise, and not worth unpacking
_LARGER, _SPARE = 20, 2**20
_LARGEST_PART = 2**20
_SIGNATURE = b"\x89PNG\r\n\x1a\n"
# operators that set a colour, those whose operands are places, and those that end with one
_TONES = frozenset({b"g", b"G", b"rg", b"RG", b"k", b"K", b"sc", b"SC", b"scn", b"SCN"})
_PLACES = frozenset({b"m", b"l", b"c", b"v", b"y", b"re", b"Td", b"TD"})
_PLACED = frozenset({b"cm", b"Tm"})
_EXACT = 1e-3


def otherwise(sealed: Path, again: Path, *, elsewhere: bool = False) -> tuple[Note | None, bool]:
    """What a reader sees otherwise in a sealed sheet than in the one made again, None for the same content.

    The second is whether the two have the same bytes. Made ``elsewhere``, with other versions of the libraries, words
    and lines on paper may stand half a millimetre off.
    """
    ours, theirs = again.read_bytes(), None
    if sealed.stat().st_size <= _LARGER * len(ours) + _SPARE:
        theirs = sealed.read_bytes()
    if theirs == ours:
        return None, True
    if theirs is None:
        return note("recheck.far-larger"), False
    if again.suffix == ".pdf":
        return _paper(theirs, ours, _PLACE if elsewhere else _EXACT), False
    return (_picture if again.suffix == ".png" else _words)(theirs, ours), False


def _words(sealed: bytes, again: bytes) -> Note:
    """The first line that differs."""
    one, two = (data.decode("utf-8", "replace").splitlines() for data in (sealed, again))
    for number in range(max(len(one), len(two))):
        said, made = (lines[number] if number < len(lines) else "" for lines in (one, two))
        if said != made:
            return _differs("recheck.line", said, made, number=number + 1)
    return note("recheck.unseen")


def _differs(code: str, sealed: str, again: str, **more: Any) -> Note:
    """Two texts from where they begin to differ, fit to be shown on any terminal."""
    at = next((k for k, (a, b) in enumerate(zip(sealed, again, strict=False)) if a != b), min(len(sealed), len(again)))
    start = max(0, at - 25)
    return note(code, **more, sealed=shown(sealed[start:]), again=shown(again[start:]))


def shown(text: str) -> str:
    """A text of a stranger's as it may stand in a message: printable and short."""
    printable = "".join(letter if letter.isprintable() else "." for letter in text)
    return printable if len(printable) <= _LONGEST else f"{printable[: _LONGEST - 1]}…"


def _picture(sealed: bytes, again: bytes) -> Note | None:
    from PIL import Image, UnidentifiedImageError

    try:
        theirs, ours = (dict(_chunks(data)) for data in (sealed, again))
        if theirs.get(b"IHDR") != ours.get(b"IHDR"):
            return note("recheck.other-size")
        # in their order too: what stands before the picture is for it, what stands behind is not read by all
        if _beside(theirs) != _beside(ours) or _behind(theirs[b"IDAT"]):
            return note("recheck.more-than-picture")
        one, two = (_pixels(Image, data) for data in (sealed, again))
    except (UnidentifiedImageError, OSError, ValueError, KeyError, SyntaxError, struct.error, zlib.error):
        return note("recheck.unreadable")
    off = np.any(one != two, axis=-1) if one.ndim == 3 else one != two
    return note("recheck.pixels", count=int(off.sum())) if off.any() else None


def _beside(chunks: dict[bytes, bytes]) -> list[tuple[bytes, bytes]]:
    """Everything but the picture's own data, in order."""
    return [(name, b"" if name == b"IDAT" else data) for name, data in chunks.items()]


def _behind(packed: bytes) -> bytes:
    """What stands in a picture's data behind its end."""
    unpacking = zlib.decompressobj()
    while not unpacking.eof and (packed := unpacking.unconsumed_tail or packed):
        unpacking.decompress(packed, _LARGEST_PART)
        if not unpacking.unconsumed_tail and not unpacking.eof:
            raise ValueError("cut off")
    return unpacking.unused_data


def _chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Kinds of chunks and what is in all of a kind (PNG specification, third edition, 5.3); `ValueError` for no PNG."""
    if data[:8] != _SIGNATURE:
        raise ValueError("no PNG")
    found: dict[bytes, bytes] = {}
    at, last = 8, b""
    while at < len(data):
        (length,), kind = struct.unpack(">I", data[at : at + 4]), data[at + 4 : at + 8]
        if at + 12 + length > len(data) or (kind == b"IEND") != (at + 12 + length == len(data)):
            raise ValueError("cut off, or more behind its end")
        if kind == b"IDAT" and kind in found and last != kind:
            raise ValueError("a picture in two places")
        last = kind
        found[kind] = found.get(kind, b"") + data[at + 8 : at + 8 + length] + (b"" if kind == b"IDAT" else b"\0|\0")
        at += 12 + length
    yield from found.items()


def _pixels(library: Any, data: bytes) -> np.ndarray[Any, Any]:
    from io import BytesIO

    with library.open(BytesIO(data)) as picture:
        return np.asarray(picture)


def _paper(sealed: bytes, again: bytes, off: float) -> Note | None:
    """The same objects but for how they are packed; else the same words and lines, within ``off`` [points]."""
    from io import BytesIO

    from pypdf import PdfReader
    from pypdf.errors import PyPdfError

    try:
        _check_read_one_way(sealed)
        one, two = PdfReader(BytesIO(sealed), strict=True), PdfReader(BytesIO(again))
        if one.is_encrypted or len(one.pages) != len(two.pages):
            return note("recheck.pages", sealed=len(one.pages), again=len(two.pages))
        if _Walk(None).over(one.trailer) == _Walk(None).over(two.trailer):
            return None
        same_but_pages = _Walk(one).over(one.trailer) == _Walk(two).over(two.trailer)
        return _first_on_paper(one, two, off) or (None if same_but_pages else note("recheck.behind-the-pages"))
    except (
        PyPdfError,
        ValueError,
        TypeError,
        KeyError,
        AttributeError,
        IndexError,
        OSError,
        RecursionError,
        zlib.error,
    ):
        return note("recheck.unreadable")


def _check_read_one_way(data: bytes) -> None:
    """`ValueError` for a PDF that one program may read otherwise than another.

    That is one which is mended as it is opened, or holds a later state of itself or an object twice: what we compare
    would not be what is shown.
    """
    numbers = _OBJECT.findall(data)
    whole = data.startswith(b"%PDF-") and data.rstrip().endswith(b"%%EOF")
    if not whole or data.count(b"startxref") != 1 or len(set(numbers)) != len(numbers):
        raise ValueError("more than one way to read it")


_OBJECT = re.compile(rb"(?<!\d)0*(\d+)\s+\d+\s+obj\b")
# of how a file is packed, and of nothing that is in it: in its trailer and in its streams
_OF_TRAILER = frozenset({"/Size", "/Prev", "/XRefStm", "/Filter", "/DecodeParms", "/Length", "/W", "/Index", "/ID"})
_OF_STREAM = frozenset({"/Filter", "/Length"})
_DRAWN = b"drawn, compared by its operations"


class _Walk:
    """All that is in a PDF as plain values, whatever numbers its objects have and however they are compressed.

    With a ``reader`` what is drawn on its pages is left out, to be compared by itself.
    """

    def __init__(self, reader: Any) -> None:
        self.seen: dict[tuple[int, int], int] = {}
        self.drawn = set() if reader is None else {_number_of(page) for page in reader.pages}

    def over(self, value: Any, *, drawn: bool = False) -> Any:
        """``drawn`` is whether it is what a page draws."""
        from pypdf.generic import IndirectObject

        if isinstance(value, IndirectObject):
            key = (value.idnum, value.generation)
            if key in self.seen:
                return ("seen", self.seen[key])
            self.seen[key] = len(self.seen)
            return self._inside(value.get_object(), page=key in self.drawn, drawn=drawn)
        return self._inside(value, page=False, drawn=drawn)

    def _inside(self, value: Any, *, page: bool, drawn: bool) -> Any:
        from pypdf.generic import DictionaryObject, StreamObject

        if isinstance(value, DictionaryObject):
            keys = sorted(set(value) - _packing(value))
            # the trailer of a file whose list of objects is itself packed says that it is such a list
            keys = [key for key in keys if not (key == "/Type" and value.get("/Type") == "/XRef")]
            parts = [(str(key), self.over(value.raw_get(key), drawn=page and key == "/Contents")) for key in keys]
            if isinstance(value, StreamObject):
                return ("stream", _DRAWN if drawn else value.get_data(), parts)
            return ("table", parts)
        if isinstance(value, list):
            return [self.over(part, drawn=drawn) for part in list.__iter__(value)]
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            return float(value)
        return (type(value).__name__, value if isinstance(value, (bytes, str)) else repr(value))


def _packing(value: Any) -> frozenset[str]:
    """Keys of a table that say how something is packed: of a stream, or of the trailer.

    `ValueError` for a stream packed otherwise than drawings are: what a library that does not know the way passes on
    as it is, a viewer may show as nothing.
    """
    from pypdf.generic import StreamObject

    if not isinstance(value, StreamObject):
        return _OF_TRAILER if "/Root" in value else frozenset()
    if "/Filter" in value and value.raw_get("/Filter") not in ("/FlateDecode", ["/FlateDecode"]):
        raise ValueError("packed in another way")
    return _OF_STREAM


def _number_of(page: Any) -> tuple[int, int]:
    return (page.indirect_reference.idnum, page.indirect_reference.generation)


def _first_on_paper(sealed: Any, again: Any, off: float) -> Note | None:
    """The first page that says or draws something otherwise."""
    for number, (one, two) in enumerate(zip(sealed.pages, again.pages, strict=True), 1):
        # operations hold the words too; where all stand alike nothing else has to be looked at
        if _drawn_alike(_operations(one, sealed), _operations(two, again), off):
            continue
        said, made = (page.extract_text().splitlines() for page in (one, two))
        for theirs, ours in zip([*said, ""], [*made, ""], strict=False):
            if theirs.split() != ours.split():
                return _differs("recheck.on-page", theirs, ours, number=number)
        return note("recheck.drawn", number=number)
    return None


def _operations(page: Any, reader: Any) -> list[tuple[Any, bytes]]:
    from pypdf.generic import ContentStream

    contents = page.get_contents()
    return [] if contents is None else list(ContentStream(contents, reader).operations)


def _drawn_alike(one: list[tuple[Any, bytes]], two: list[tuple[Any, bytes]], off: float) -> bool:
    """The same operations in the same order, each in its place, its size and its tone (ISO 32000-1, annex A)."""
    return len(one) == len(two) and all(
        operator == other and _operands_alike(operator, given, taken, off)
        for (given, operator), (taken, other) in zip(one, two, strict=True)
    )


def _operands_alike(operator: bytes, one: Any, two: Any, off: float) -> bool:
    if operator in _PLACED and len(one) == len(two) == 6:
        return _near(one[:4], two[:4], _EXACT) and _near(one[4:], two[4:], off)
    return _near(one, two, _TONE if operator in _TONES else off if operator in _PLACES else _EXACT)


def _near(one: Any, two: Any, most: float) -> bool:
    if isinstance(one, (list, tuple)) and isinstance(two, (list, tuple)):
        return len(one) == len(two) and all(_near(a, b, most) for a, b in zip(one, two, strict=True))
    if isinstance(one, dict) and isinstance(two, dict):
        return one.keys() == two.keys() and all(_near(one[key], two[key], most) for key in one)
    if isinstance(one, (int, float)) and isinstance(two, (int, float)):
        return abs(one - two) <= most
    return bool(type(one) is type(two) and one == two)

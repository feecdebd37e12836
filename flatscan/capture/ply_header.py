"""The header of a PLY file: elements, their properties and the place where the data begin."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np

from flatscan.capture.source import cut_off, damaged

# type names of the format's first description (Turk, 1994) and the sized names in use since
TYPES = {
    "char": "i1", "uchar": "u1", "short": "i2", "ushort": "u2", "int": "i4", "uint": "u4", "float": "f4",
    "double": "f8", "int8": "i1", "uint8": "u1", "int16": "i2", "uint16": "u2", "int32": "i4", "uint32": "u4",
    "float32": "f4", "float64": "f8", "int64": "i8", "uint64": "u8",
}  # fmt: skip
_ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_LONGEST = 1_000_000


@dataclass(frozen=True, slots=True)
class Property:
    """One column of an element: a scalar of type ``code``, or a list with a count of type ``count_code``."""

    name: str
    code: str
    count_code: str | None = None


@dataclass(frozen=True, slots=True)
class Element:
    """``count`` records of the same ``properties``."""

    name: str
    count: int
    properties: tuple[Property, ...]

    @property
    def has_lists(self) -> bool:
        """Whether records differ in size."""
        return any(item.count_code for item in self.properties)

    def record(self, order: str) -> np.dtype:
        """Packed record of an element without lists; ``order`` is ``<`` or ``>``."""
        names = [item.name for item in self.properties]
        return np.dtype(
            {
                "names": names,
                "formats": [order + item.code for item in self.properties],
                "offsets": list(np.cumsum([0, *(int(item.code[1]) for item in self.properties)])[:-1]),
                "itemsize": self.least_size,
            }
        )

    @property
    def least_size(self) -> int:
        """Bytes of the shortest possible binary record."""
        return sum(int((item.count_code or item.code)[1]) for item in self.properties)

    def find(self, *names: str) -> list[str] | None:
        """Spelling of scalar properties in the file, case apart, or None if one is missing."""
        spelt = {item.name.lower(): item.name for item in self.properties if not item.count_code}
        return [spelt[name] for name in names] if all(name in spelt for name in names) else None


@dataclass(frozen=True, slots=True)
class Header:
    """A PLY header; ``order`` is ``<``, ``>`` or empty for ASCII, ``size`` the bytes before the data."""

    order: str
    elements: tuple[Element, ...]
    size: int

    def element(self, *names: str) -> Element | None:
        """The first element of one of these names."""
        return next((item for item in self.elements if item.name.lower() in names), None)


def read_header(path: Path) -> Header:
    """Header of ``path``; raises `ReadError` where it breaks the format."""
    with path.open("rb") as stream:
        lines = list(_lines(path, stream))
        size = stream.tell()
    order: str | None = None
    elements: list[Element] = []
    for number, words in enumerate(lines, start=1):
        keyword = words[0] if words else "comment"
        if keyword == "format" and len(words) > 1 and words[1] in _ORDERS:
            order = _ORDERS[words[1]]
        elif keyword == "element" and len(words) == 3 and words[2].isdecimal() and len(words[2]) < 16:
            elements.append(Element(words[1], int(words[2]), ()))
        elif keyword == "property" and elements:
            last = elements[-1]
            elements[-1] = Element(last.name, last.count, (*last.properties, _property(path, number, words)))
        elif keyword not in ("ply", "comment", "obj_info", "end_header"):
            raise damaged(path, f"header line {number} is '{_short(words)}'", "a PLY format, element or property line")
    if order is None:
        raise damaged(path, "the header names no format", "ascii, binary_little_endian or binary_big_endian")
    for element in elements:
        names = [item.name for item in element.properties]
        if len(set(names)) < len(names):
            raise damaged(path, f"element {element.name} names a property twice", "each property once")
    return Header(order, tuple(elements), size)


def _lines(path: Path, stream: IO[bytes]) -> Iterator[list[str]]:
    read = 0
    while True:
        line = stream.readline(_LONGEST)
        read += len(line)
        if not line or read > _LONGEST:
            raise cut_off(path, "the PLY header has no end_header line", "a complete header")
        words = line.decode("latin-1").split()
        yield words
        if words == ["end_header"]:
            return


def _property(path: Path, number: int, words: list[str]) -> Property:
    if len(words) == 3 and words[1] in TYPES:
        return Property(words[2], TYPES[words[1]])
    if len(words) == 5 and words[1] == "list" and words[3] in TYPES and TYPES.get(words[2], "f")[0] in "iu":
        return Property(words[4], TYPES[words[3]], TYPES[words[2]])
    found = f"header line {number} is '{_short(words)}'"
    raise damaged(path, found, "property TYPE NAME, or property list TYPE TYPE NAME")


def _short(words: list[str]) -> str:
    text = " ".join(words)
    return text if len(text) <= 60 else text[:57] + "..."

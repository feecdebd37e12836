"""Records to plain data, which JSON and TOML hold, and back: nothing but the types asked for is ever made.

Numbers keep their last bit, arrays become lists. Coming back, no kind is bent into another (only 1 may stand for 1.0),
and every key that is missing, unknown or of another kind is named.
"""

from __future__ import annotations

import dataclasses
import json
import math
import re
import tomllib
import typing
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import numpy as np

from flatscan.core.errors import BadTable, FlatscanError
from flatscan.core.notes import Note, Unknown
from flatscan.core.quantity import Quantity
from flatscan.core.typed import read_text

if TYPE_CHECKING:
    from cattrs import Converter

T = TypeVar("T")
_LONGEST = 60
# our own names have three parts at most
_DEEPEST = 30
_NO_NAME = re.compile(r"[\n,={}]")
_NEEDED = {float: "a number", int: "a whole number", str: "text in quotes", bool: "true or false"}


@dataclass(frozen=True, slots=True)
class Check:
    """What a value must be beside its type: ``needed`` in words, and whether it ``holds``."""

    needed: str
    holds: Callable[[Any], bool]


def one_of(words: Iterable[str]) -> Check:
    """The check that a value is one of these words."""
    known = tuple(words)
    return Check(f"one of {', '.join(word or 'nothing' for word in known)}", known.__contains__)


Amount = Annotated[float, Check("a number from 0 up", lambda v: 0 <= v < math.inf)]
Positive = Annotated[float, Check("a number over 0", lambda v: 0 < v < math.inf)]
Span = Annotated[
    tuple[float, float],
    Check("two numbers [low, high], low first, none under 0", lambda v: 0 <= v[0] <= v[1] < math.inf),
]
PositiveSpan = Annotated[
    tuple[float, float],
    Check("two numbers [low, high], low first, both over 0", lambda v: 0 < v[0] <= v[1] < math.inf),
]


@dataclass(frozen=True, slots=True)
class Problem:
    """What does not fit: ``at`` is its key and those that lead there, ``what`` is missing, unknown or value.

    ``kind`` is the record it belongs to, ``found`` what stands there, ``needed`` what should.
    """

    at: str
    what: str
    kind: str
    found: str
    needed: str


class NotARecord(ValueError):
    """Plain data that is no record of the kind asked for, with every problem in it."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        self.problems = problems
        super().__init__("; ".join(f"{one.at}: {one.what} {one.found}".strip() for one in problems))


class _Misfit(Exception):
    """A value that is not what its place needs, on its way to become a `Problem`."""

    def __init__(self, found: object, needed: str) -> None:
        self.found, self.needed = repr(found)[:_LONGEST], needed
        super().__init__(needed)


def to_plain(record: Any, *, sparse: bool = False) -> Any:
    """A record as dicts, lists, numbers, words and None; ``sparse`` leaves out what is as by default.

    Raises `TypeError` for what is no record of ours and holds none.
    """
    return _converter(sparse).unstructure(record)


def from_plain(kind: type[T], plain: object) -> T:
    """The record of a ``kind`` out of plain data; raises `NotARecord`, and what the record itself refuses."""
    try:
        record: T = _converter(False).structure(plain, kind)
    except Exception as wrong:
        raise NotARecord(tuple(_problems(wrong, "", kind.__name__))) from None
    return record


def of_table(kind: type[T], table: Mapping[str, object], where: object, remedy: str) -> T:
    """The record in a table of TOML; raises `BadTable` with the keys that do not fit."""
    try:
        return from_plain(kind, table)
    except NotARecord as wrong:
        problems = wrong.problems
    lists = {what: tuple(one.at for one in problems if one.what == what) for what in ("missing", "unknown")}
    if any(lists.values()):
        found = "; ".join(f"{what}: {{{what}}}" for what, names in lists.items() if names)
        # an unknown key brings the list of those there are
        needed = max((one.needed for one in problems if one.what != "value"), key=len)
        raise BadTable(where, found, needed=needed, remedy=remedy, **lists)
    first, place = problems[0], "{file}, {at}" if problems[0].at else "{file}"
    values = {"file": str(where), "at": first.at, "value": first.found}
    raise BadTable(place, "{value}", needed=first.needed, remedy=remedy, **values)


def load_toml(path: str | Path, needed: str, remedy: str) -> dict[str, Any]:
    """The tables of a TOML file; raises `ReadError` where it cannot be opened and `BadTable` where it is no TOML."""
    text, _ = read_text(path)
    return parse_toml(text, path, needed, remedy)


def parse_toml(text: str, where: object, needed: str, remedy: str) -> dict[str, Any]:
    """The tables in a text; raises `BadTable` where it is no TOML, or a name has more parts than any of ours."""
    if _longest_name(text) > _DEEPEST:
        found = "not TOML for people: a name of over {most} parts"
        raise BadTable(where, found, needed=needed, remedy=remedy, most=_DEEPEST)
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as reason:
        raise BadTable(where, "not TOML: {reason}", needed=needed, remedy=remedy, reason=str(reason)) from None


def _longest_name(text: str) -> int:
    """Parts of the longest name that dots part: the parser's memory grows with the square of them."""
    longest = run = 0
    for part in text.split("."):
        run = run + 1 if part.strip() and not _NO_NAME.search(part) else 1
        longest = max(longest, run)
    return longest


def load_json(path: str | Path, refused: Callable[[str], FlatscanError]) -> Any:
    """What a JSON file holds, with or without a mark at its head; raises ``refused`` (why it is none) for others."""
    try:
        return json.loads(Path(path).read_text(encoding="utf-8-sig"))
    except (OSError, ValueError) as reason:
        raise refused(str(reason)) from None
    except RecursionError:
        raise refused("nested too deep") from None


def _problems(wrong: BaseException, at: str, kind: str) -> Iterator[Problem]:
    """Every problem in what the library raised; an error of a record's own goes through as it is."""
    from cattrs import errors

    if isinstance(wrong, errors.BaseValidationError):
        kind = wrong.cl.__name__ if dataclasses.is_dataclass(wrong.cl) else kind
        for part in wrong.exceptions:
            steps = [at] if at else []
            for one in getattr(part, "__notes__", ()):
                if isinstance(one, errors.AttributeValidationNote):
                    steps.append(one.name)
                elif isinstance(one, errors.IterableValidationNote):
                    steps = [f"{at} {one.index + 1}" if isinstance(one.index, int) else f"{at}, {one.index}"]
            yield from _problems(part, ", ".join(steps), kind)
    elif isinstance(wrong, errors.ForbiddenExtraKeysError):
        needed = f"the keys {', '.join(item.name for item in dataclasses.fields(wrong.cl))}"
        yield from (
            Problem(f"{at}, {name}" if at else name, "unknown", kind, "", needed) for name in sorted(wrong.extra_fields)
        )
    elif isinstance(wrong, KeyError):
        yield Problem(at, "missing", kind, "", "these keys too")
    elif isinstance(wrong, _Misfit):
        yield Problem(at, "value", kind, wrong.found, wrong.needed)
    elif isinstance(wrong, FlatscanError):
        raise wrong
    else:
        yield Problem(at, "value", kind, str(wrong)[:_LONGEST], "another value")


@cache
def _converter(sparse: bool) -> Converter:
    """A converter with our rules; the library is loaded when first needed."""
    from cattrs import Converter
    from cattrs.strategies import configure_union_passthrough

    converter = Converter(forbid_extra_keys=True, omit_if_default=sparse, unstructure_fallback_factory=_refuse)
    for kind in (float, int, str, bool):
        converter.register_unstructure_hook(kind, kind)
        converter.register_structure_hook(kind, _exact)
    converter.register_unstructure_hook(type(None), lambda _: None)
    converter.register_unstructure_hook(np.integer, int)
    converter.register_unstructure_hook_func(_is(np.ndarray), lambda values: values.tolist())
    converter.register_unstructure_hook_func(_is(tuple), lambda parts: [converter.unstructure(part) for part in parts])
    converter.register_structure_hook_func(_is(np.ndarray), _array)
    converter.register_structure_hook_func(_is(tuple), lambda value, kind: _tuple(converter, value, kind))
    converter.register_structure_hook_func(_has_check, lambda value, kind: _checked(converter, value, kind))
    converter.register_structure_hook_factory(dataclasses.is_dataclass, lambda kind: _record(converter, kind))
    configure_union_passthrough(str | bool | int | float | None, converter)
    converter.register_unstructure_hook(
        Note, lambda it: converter.unstructure(_PlainNote(it.code, it.place, dict(it.pairs)))
    )
    converter.register_structure_hook(Note, lambda value, _: _note(converter.structure(value, _PlainNote)))
    converter.register_unstructure_hook_func(_is_error, lambda it: converter.unstructure(_plain_error(it)))
    converter.register_structure_hook_func(_is_error, lambda value, _: _error(converter.structure(value, _PlainError)))
    converter.register_unstructure_hook(_Noted, converter.unstructure)
    converter.register_structure_hook(_Noted, lambda value, _: _noted(converter, value))
    return converter


def _refuse(_kind: type) -> Callable[[Any], Any]:
    def refuse(value: Any) -> Any:
        raise TypeError(f"a {type(value).__name__} is no plain data")

    return refuse


def _is(origin: type) -> Callable[[Any], bool]:
    """Whether a type is, or is made of, ``origin``, such as tuple[int, ...] of tuple."""
    return lambda kind: kind is origin or typing.get_origin(kind) is origin


def _has_check(kind: Any) -> bool:
    return any(isinstance(one, Check) for one in getattr(kind, "__metadata__", ()))


def _exact(value: Any, kind: type) -> Any:
    """A number, word or truth value of the very kind; JSON has one kind of number, so 1 may stand for 1.0."""
    if kind is float and type(value) is int:
        return float(value)
    if type(value) is not kind:
        raise _Misfit(value, _NEEDED[kind])
    return value


def _array(value: Any, kind: Any) -> np.ndarray:
    """An array of the type's own kind of number, out of lists."""
    (dtype,) = typing.get_args(typing.get_args(kind)[1])
    try:
        return np.array(value if isinstance(value, list) else None, dtype)
    except (TypeError, ValueError):
        raise _Misfit(value, "lists of numbers") from None


def _tuple(converter: Converter, value: Any, kind: Any) -> tuple[Any, ...]:
    from cattrs.errors import IterableValidationError, IterableValidationNote

    kinds = list(typing.get_args(kind))
    if not isinstance(value, (list, tuple)) or (Ellipsis not in kinds and len(value) != len(kinds)):
        raise _Misfit(value, "a list" if Ellipsis in kinds else f"a list of {len(kinds)}")
    parts = []
    for number, part in enumerate(value):
        try:
            parts.append(converter.structure(part, kinds[0] if Ellipsis in kinds else kinds[number]))
        except Exception as wrong:
            wrong.add_note(IterableValidationNote("", number, kind))
            raise IterableValidationError("", [wrong], kind) from None
    return tuple(parts)


def _checked(converter: Converter, value: Any, kind: Any) -> Any:
    check = next(one for one in kind.__metadata__ if isinstance(one, Check))
    try:
        taken = converter.structure(value, kind.__origin__)
        if check.holds(taken):
            return taken
    except Exception:  # noqa: BLE001
        # whatever it is, the check says what was needed
        pass
    raise _Misfit(value, check.needed)


def _record(converter: Converter, kind: Any) -> Callable[[Any, Any], Any]:
    """How a dataclass is made out of a table of its keys."""
    from cattrs.gen import make_dict_structure_fn, override

    # the library leaves off what is annotated to a type: these fields are made by their whole types
    bare, whole = typing.get_type_hints(kind), typing.get_type_hints(kind, include_extras=True)

    def by(to: Any) -> Any:
        return override(struct_hook=lambda value, _: converter.structure(value, to))

    checked: dict[str, Any] = {name: by(to) for name, to in whole.items() if to != bare[name]}
    from_keys = make_dict_structure_fn(kind, converter, _cattrs_forbid_extra_keys=True, **checked)

    def structure(value: Any, kind: Any) -> Any:
        if not isinstance(value, Mapping):
            raise _Misfit(value, "a table of keys")
        return from_keys(value, kind)

    return structure


class _Noted:
    """The type of what may stand in a note: a quantity, a number, a name, another note, or several of these."""


@dataclass(frozen=True, slots=True)
class _PlainNote:
    """A note with its quantities by name."""

    code: str
    place: tuple[float, float] | None
    quantities: dict[str, _Noted]


def _note(plain: _PlainNote) -> Note:
    return Note(plain.code, plain.place, tuple(plain.quantities.items()))


@dataclass(frozen=True, slots=True)
class _PlainError:
    """An error by its parts, with what stands in them by name; of which kind it was is not kept."""

    where: str
    found: str
    needed: str
    remedy: str
    values: dict[str, _Noted]


def _is_error(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, FlatscanError)


def _plain_error(error: FlatscanError) -> _PlainError:
    return _PlainError(*error.templates, {name: _sayable(value) for name, value in error.values.items()})


def _sayable(value: object) -> Any:
    """A value as a note may hold it; what else an error brings, such as a path, is said as text."""
    if isinstance(value, tuple):
        return tuple(_sayable(part) for part in value)
    return value if isinstance(value, (Quantity, Note, Unknown, str, int, float, np.integer)) else str(value)


def _error(plain: _PlainError) -> FlatscanError:
    return FlatscanError(plain.where, plain.found, needed=plain.needed, remedy=plain.remedy, **plain.values)


def _noted(converter: Converter, value: Any) -> object:
    if isinstance(value, list):
        return tuple(_noted(converter, part) for part in value)
    if isinstance(value, dict):
        kind = next((one for name, one in (("code", Note), ("value", Quantity)) if name in value), Unknown)
        return converter.structure(value, kind)
    if not isinstance(value, (str, int, float)):
        raise _Misfit(value, "a quantity, a number, a name or a note")
    return value

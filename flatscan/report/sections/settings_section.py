"""Every setting of a job that is not as by default, each with its value and the default, in the reader's units."""

from __future__ import annotations

from flatscan.core.notes import Note, note
from flatscan.core.quantity import cubic_metres, degrees, metres, share, slope
from flatscan.jobs import Looked, Setting
from flatscan.report.parts import Fact, Section
from flatscan.report.say import Said
from flatscan.report.tables import Column, Table

# what is no length: numbers of things, shares and coordinates as they stand in the file
_BARE = frozenset(
    {"seen_from", "crop", "confidence", "waste", "worth", "rate", "reference_walls", "parallel_to", "square_to"}
)
_ANGLES, _VOLUMES = frozenset({"directions", "light"}), frozenset({"quoted", "used"})
_SLOPES = frozenset({"lean_up_to", "turn_up_to", "lean", "turn"})
# settings that belong to the earlier survey, or to its limit
_OF = ("earlier_", "background_")


def settings_section(looked: Looked) -> Section:
    """What was set otherwise than by default; in the document a list of name, value and default."""
    said = [_said(one) for one in looked.settings]
    columns = (Column("name", "setting"), Column("value", "set to"), Column("default", "usual"))
    rows = tuple((one.name, value, usual) for one, (value, usual) in zip(looked.settings, said, strict=True))
    table = Table("settings", note("section.settings"), columns, rows, "all settings are as by default")
    facts, names = [], []
    for one, (value, usual) in zip(looked.settings, said, strict=True):
        name = one.name.replace("_", " ")
        facts.append(Fact("setting", note("report.setting-beside", name=name, value=value, default=usual)))
        names.append(note("report.setting", name=name, value=value))
    headline = (note("report.settings", settings=tuple(names)),) if names else ()
    return Section("settings", headline=headline, facts=tuple(facts), listed=table)


def _said(setting: Setting) -> tuple[Said, Said]:
    name = setting.name
    for start in _OF:
        name = name.removeprefix(start)
    return amount(name, setting.value), amount(name, setting.default)


def amount(name: str, value: object) -> Said:
    """A setting's value with its unit; lists part by part, and a word for what the capture itself decides."""
    if value is None or value in ((), ""):
        return note("setting.none")
    if isinstance(value, bool):
        return note("setting.yes") if value else note("setting.no")
    if isinstance(value, tuple):
        if any(isinstance(part, tuple) for part in value):
            return note("setting.several", parts=tuple(_bracketed(amount(name, part)) for part in value))
        return note("setting.parts", parts=tuple(amount(name, part) for part in value))
    return _number(name, value) if isinstance(value, (int, float)) else str(value)


def _bracketed(said: Said) -> Note:
    return note("setting.bracketed", parts=said)


def _number(name: str, value: float) -> Said:
    if name in _ANGLES:
        return note("setting.angle", value=degrees(value))
    if name in _SLOPES:
        return note("setting.slope", value=slope(value))
    if name in _VOLUMES:
        return note("setting.volume", value=cubic_metres(value))
    if isinstance(value, int):
        return str(value)
    return note("setting.number", value=share(value)) if name in _BARE else note("setting.length", value=metres(value))

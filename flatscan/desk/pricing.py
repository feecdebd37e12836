"""What a person charges, as a form: it becomes the file of rates in the wall's folder, that its plan names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flatscan.core.errors import BadValue, FlatscanError
from flatscan.core.notes import note
from flatscan.core.quantity import metres
from flatscan.core.typed import parse_length, read_text
from flatscan.core.units import METRES_PER
from flatscan.desk import answering
from flatscan.desk.folders import Job, write_through
from flatscan.desk.screens import revision, show
from flatscan.plan.rates import BASES, TEMPLATE, load_rates
from flatscan.report.say import say

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

PRICES, FILE = "prices", "rates.toml"
_FOOT, _YARD = METRES_PER["ft"], 3 * METRES_PER["ft"]
_GALLON = 3.785411784
_MOST_TEXT = 40


@dataclass(frozen=True, slots=True)
class Price:
    """A line of the form: its key in the file, what it is for in mm and in inches, how many metric ones that holds.

    ``per`` is what a price in inches is multiplied by to be one of the file's own unit.
    """

    key: str
    metric: str
    inches: str
    per: float = 1.0


PRICED = (
    Price("m2", "Each m² of wall", "Each square foot of wall", 1 / _FOOT**2),
    Price(
        "extra_mm_m2",
        "Each mm over that thickness, on each m²",
        "Each 1/16 in over that thickness, on each square foot",
        16 / (METRES_PER["in"] * 1000) / _FOOT**2,
    ),
    Price("day", "One person, one day of 8 hours", "One person, one day of 8 hours"),
    Price("hack", "Each hump cut", "Each hump cut"),
    Price("bag", "Each bag supplied", "Each bag supplied"),
    Price("call_out", "Each visit", "Each visit"),
    Price("sand_m3", "Each m³ of loose sand", "Each cubic yard of loose sand", 1 / _YARD**3),
    Price("reveal_m", "Each metre of reveal", "Each foot of reveal", 1 / _FOOT),
    Price("bead_m", "Each metre of corner bead", "Each foot of corner bead", 1 / _FOOT),
    Price("mesh_m2", "Each m² of mesh", "Each square foot of mesh", 1 / _FOOT**2),
    Price("chase_l", "Each litre that fills a chase", "Each gallon that fills a chase", 1 / _GALLON),
)


def prices(desk: Desk, name: str) -> Any:
    """What is charged on this wall; kept, it is in the plan, and there is a price."""
    from flask import redirect, request

    job = desk.jobs.get(name)
    units = job.settings["units"]
    if request.method != "POST":
        return _shown(job, *_standing(desk, job))
    given = {field: request.form.get(field, "").strip()[:_MOST_TEXT] for field in _fields()}
    values, wrong = read(given, units)
    if wrong:
        return _shown(
            job, given, "", {key: answering.wrong(one, answering.manner(units)) for key, one in wrong.items()}
        ), 422
    # a page that is out of date is refused before anything is written
    job = desk.jobs.keep(name, revision())
    write_through(job.folder / FILE, with_prices(_text(job), values).encode())
    desk.jobs.keep(name, job.revision, replan=lambda plan: replace(plan, rates=str(job.folder / FILE)))
    return redirect(f"/wall/{name}/{'answers' if answering.asked(job) else ''}", 303)


def _fields() -> tuple[str, ...]:
    return ("currency", "basis", "allowance_mm", *(price.key for price in PRICED))


def _shown(job: Job, given: Mapping[str, str], source: str, wrong: Mapping[str, str] | None = None) -> Any:
    inch = job.settings["units"] == "in"
    rows = [(one.key, one.inches if inch else one.metric, given.get(one.key, "")) for one in PRICED]
    example = "1/2 in" if inch else "13 mm"
    return show(
        "prices.html.j2", job, PRICES, rows=rows, given=given, source=source, wrong=wrong or {}, example=example
    )


def read(given: Mapping[str, str], units: str) -> tuple[dict[str, Any], dict[str, FlatscanError]]:
    """The lines of a file of rates out of what was typed, and what is wrong with it by field."""
    values: dict[str, Any] = {"currency": given["currency"]}
    wrong: dict[str, FlatscanError] = {}
    values["basis"] = given["basis"] if given["basis"] in BASES else BASES[0]
    try:
        text = given["allowance_mm"] or "0"
        values["allowance_mm"] = round(parse_length(text, unit="in" if units == "in" else "mm") * 1000, 4)
        if values["allowance_mm"] < 0:
            raise _no_amount(text)
    except FlatscanError as trouble:
        wrong["allowance_mm"] = trouble
    for price in PRICED:
        try:
            amount = _amount(given[price.key])
        except BadValue as trouble:
            wrong[price.key] = trouble
        else:
            values[price.key] = float(f"{amount * price.per:.9g}") if units == "in" else amount
    return values, wrong


def _amount(text: str) -> float:
    """An amount of money, 0 where nothing stands; a comma is a decimal mark."""
    try:
        amount = float(text.replace(",", ".")) if text else 0.0
    except ValueError:
        raise _no_amount(text) from None
    if not (isfinite(amount) and amount >= 0) or not set(text) <= set("0123456789.,"):
        raise _no_amount(text)
    return amount


def _no_amount(text: str) -> BadValue:
    return BadValue(
        "the price",
        "'{text}' is no amount",
        needed="a number from 0 up, such as 14.50",
        remedy="Write the number alone",
        text=text,
    )


def with_prices(text: str, values: Mapping[str, Any]) -> str:
    """A file of rates with other values; its remarks, and what is no line of the form, stay."""
    import tomlkit

    document = tomlkit.parse(text)
    for key, value in values.items():
        if key in document or value:
            document[key] = value
    return tomlkit.dumps(document)


def _text(job: Job) -> str:
    """What the file holds that the prices are put into: the wall's own, else one to start from."""
    path = job.folder / FILE
    return read_text(path)[0] if path.is_file() and _sound(path) else TEMPLATE


def _sound(path: Path) -> bool:
    try:
        load_rates(path)
    except FlatscanError:
        return False
    return True


def _standing(desk: Desk, job: Job) -> tuple[dict[str, str], str]:
    """What stands in the fields: the wall's own prices, else those of the wall that was priced last, and whose."""
    named = None if job.broken is not None or job.plan.rates is None else Path(job.plan.rates)
    if named is not None and _sound(named):
        return _typed(named, job.settings["units"]), "" if named.name == FILE else named.name
    others = [other for other in desk.jobs.all() if (other.folder / FILE).is_file() and _sound(other.folder / FILE)]
    if not others:
        return dict.fromkeys(_fields(), "") | {"basis": BASES[0]}, ""
    last = max(others, key=lambda other: (other.folder / FILE).stat().st_mtime)
    return _typed(last.folder / FILE, job.settings["units"]), last.title


def _typed(path: Path, units: str) -> dict[str, str]:
    """A file of rates as its lines are typed."""
    rates = load_rates(path)
    held = {one.key: getattr(rates, one.key) / (one.per if units == "in" else 1.0) for one in PRICED}
    allowance = say(note("desk.held", length=metres(rates.allowance)), units)
    amounts = {key: f"{amount:.6g}" if amount else "" for key, amount in held.items()}
    return amounts | {"currency": rates.currency, "basis": rates.basis, "allowance_mm": allowance}

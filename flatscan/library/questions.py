"""The questions a surveyor puts to a wall, one function each."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any, Unpack

from flatscan import jobs
from flatscan.core.errors import BadValue
from flatscan.core.typed import in_metres
from flatscan.jobs import Change, Check, Comparing, Lines, Lows, Requirement, Seen, SetOut, Survey
from flatscan.jobs.seeing import Capture
from flatscan.jobs.settings import DEFAULT_RULE, Length

# What is planned on a wall goes by the trade's word here. Jobs cannot call it so, where `plan` is what is done with it
# and `Planned` what comes of that; whoever asks from outside meets only the one.
from flatscan.jobs.settings import Finishing as Plan
from flatscan.library.asking_by import asked_by, metres_of
from flatscan.library.captures import How, Rectangle, capturing
from flatscan.plan.lows import LIMIT as LOW_LIMIT
from flatscan.plan.screeds import SetOutOptions


def survey(
    source: Capture | Seen,
    *,
    rule: Length | None = None,
    limit: Length | None = None,
    directions: Iterable[float] | None = None,
    plan: Plan | None = None,
    **how: Unpack[How],
) -> Survey:
    """Before quoting: what the wall is, its build-up to a finish plane, what to order and what hacking saves.

    Parameters
    ----------
    source : path, array of shape (n, 3) in metres, what `read` or what `relief` gave
        The capture, or the wall already seen.
    rule : length, optional
        Of the straightedge; 1.8 m.
    limit : length, optional
        Gap that matters, which sets how far noise is smoothed before the straightedge is laid; 3 mm.
    directions : iterable of float, optional
        Degrees from horizontal; every 15.
    plan : Plan, optional
        What is planned on the wall, such as ``fs.Plan.by(least="6 mm", system="gypsum-undercoat")``.
    **how
        Settings of `relief`, for a capture.

    Returns
    -------
    Survey
        `shape`, `patches`, `gaps`, `plan` (its `build_up`, `take_off`, `hacks`), `choices`.

    Raises
    ------
    FlatscanError
        What `relief` raises, and `Infeasible` for a plan that no wall could satisfy.

    Source
    ------
    methods/finish-plane 1 to 3, 7 and 10.

    Examples
    --------
    >>> import flatscan as fs
    >>> found = fs.survey("sample_clouds/laser_grid.csv", plan=fs.Plan.by(least="6 mm"))
    >>> round(found.plan.build_up.volume.value, 3), found.plan.build_up.volume.unit
    (0.06, 'm3')
    """
    test = Requirement.by(rule=rule, limit=limit, directions=_degrees(directions))
    return asked_by(jobs.survey(source, capturing(how), test, plan or Plan()), plan, rule=rule)


def check(
    source: Capture | Seen,
    *,
    rule: Length | None = None,
    limit: Length | None = None,
    tolerance: str | Iterable[str] | None = None,
    method: str | None = None,
    plumb_limit: Length | None = None,
    step_limit: Length | None = None,
    corner_limit: Length | None = None,
    directions: Iterable[float] | None = None,
    confidence: float = 0.95,
    hand: str | Path | None = None,
    **how: Unpack[How],
) -> Check:
    """Does it conform: every criterion that has a limit, each within, outside or undecided, with its uncertainty.

    Parameters
    ----------
    source : path, array of shape (n, 3) in metres, what `read` or what `relief` gave
        The capture, or the wall already seen.
    rule, limit : length, optional
        Straightedge and largest gap under it; a limit, or a tolerance, must be given.
    tolerance : str or iterable of str, optional
        Ids of `tolerances`, instead of rule and limits.
    method : {"resting", "equal offsets", "balanced end gap"}, optional
        How the straightedge of `limit` is read; without it the resting gap and the balanced end gap are both judged.
    plumb_limit, step_limit, corner_limit : length, optional
        Largest lean over the wall's height, abrupt step, and deviation of a corner from square over 600 mm.
    directions : iterable of float, optional
        Degrees from horizontal; every 15.
    confidence : float
        Of the method.
    hand : path, optional
        Straightedge readings people made (CSV), set beside the capture's.
    **how
        Settings of `relief`, for a capture.

    Returns
    -------
    Check
        `verdict` (its `decision` and `criteria`) and `gaps` (its `gap`, `low` and `high`; its `worst`, with
        `value` and `u`).

    Raises
    ------
    FlatscanError
        What `relief` raises, and `BadValue` without a limit, or where a limit and a tolerance contradict.

    Source
    ------
    methods/straightedge 2 and methods/decision 3 to 5.

    Examples
    --------
    >>> import flatscan as fs
    >>> found = fs.check("sample_clouds/laser_grid.csv", rule="1.8 m", limit="2 mm")
    >>> found.verdict.decision, round(found.gaps.gap, 4)
    ('undecided', 0.0027)
    """
    test = Requirement.by(
        rule=rule,
        limit=limit,
        tolerance=tolerance if tolerance is None or isinstance(tolerance, str) else tuple(tolerance),
        method=method,
        plumb_limit=plumb_limit,
        step_limit=step_limit,
        corner_limit=corner_limit,
        directions=_degrees(directions),
        confidence=confidence,
        hand=None if hand is None else str(hand),
    )
    if not test.asks:
        raise BadValue(
            "{set:limit}",
            "neither a limit nor a tolerance",
            needed="something to judge by",
            remedy="Give {set:rule} and {set:limit}, or {set:tolerance}",
        )
    asked: dict[str, Any] = {"rule": rule, "limit": limit, "tolerance": tuple(entry.id for entry in test.tolerances)}
    return asked_by(jobs.check(source, capturing(how), test), None, **asked, method=method)


def set_out(
    source: Capture | Seen,
    *,
    rule: Length | None = None,
    spacing: Length | None = None,
    strip: Length | None = None,
    finish: Length | None = None,
    laser: Length | None = None,
    plan: Plan | None = None,
    **how: Unpack[How],
) -> SetOut:
    """Setting out: where the screeds stand, and the packing at each dot to the finish plane.

    Parameters
    ----------
    source : path, array of shape (n, 3) in metres, what `read` or what `relief` gave
        The capture, or the wall already seen.
    rule : length, optional
        Of the straightedge that rides on the screeds; 1.8 m.
    spacing : length, optional
        Most between screeds; the rule less 300 mm.
    strip : length, optional
        Thickness of strips: packing is to their back instead of the face, and the plane leaves room for them.
    finish : length, optional
        Thickness of the coat that follows the screeds; the system's own last coat.
    laser : length, optional
        How far a plumb laser plane stands off the wall's foot; the one that readings were taken from.
    plan : Plan, optional
        What is planned on the wall.
    **how
        Settings of `relief`, for a capture.

    Returns
    -------
    SetOut
        `screeds` (its `face`, and `screeds`, each with `x` and `dots` of `y`, `packing` and `reading`) and `plan`.

    Raises
    ------
    FlatscanError
        What `survey` raises, and `Infeasible` for a plan that cannot be built.

    Source
    ------
    methods/trade 2.

    Examples
    --------
    >>> import flatscan as fs
    >>> found = fs.set_out("sample_clouds/laser_grid.csv", rule="1.8 m")
    >>> len(found.screeds.screeds), round(found.screeds.screeds[0].dots[0].packing, 4)
    (3, 0.0111)
    """
    test = Requirement.by(rule=rule)
    places = SetOutOptions(rule=test.rule, spacing=metres_of("spacing", spacing))
    given: dict[str, Any] = {
        "strip": metres_of("strip", strip),
        "finish": metres_of("finish", finish),
        "laser": metres_of("laser", laser),
    }
    planned = replace(plan or Plan(), **{name: length for name, length in given.items() if length is not None})
    return asked_by(jobs.set_out(source, capturing(how), test, planned, places), planned, rule=rule)


def lows(
    source: Capture | Seen, *, rule: Length | None = None, limit: Length | None = None, **how: Unpack[How]
) -> Lows:
    """After ruling off: what to fill or shave, where, how deep and how many litres, in the order of work.

    Parameters
    ----------
    source : path, array of shape (n, 3) in metres, what `read` or what `relief` gave
        The capture, or the wall already seen.
    rule : length, optional
        Of the straightedge; 1.8 m.
    limit : length, optional
        Depth from which a low counts; 2 mm.
    **how
        Settings of `relief`, for a capture.

    Returns
    -------
    Lows
        `lows` and `ridges`, each with `x`, `y`, `depth` in metres and `volume` in m3.

    Raises
    ------
    FlatscanError
        What `relief` raises.

    Source
    ------
    methods/definitions 9.

    Examples
    --------
    >>> import flatscan as fs
    >>> [(low.x, low.y) for low in fs.lows("sample_clouds/laser_grid.csv", limit="3 mm").lows]
    []
    """
    depth = metres_of("limit", limit)
    test = Requirement.by(rule=rule, limit=depth)
    found = jobs.lows(source, capturing(how), test, LOW_LIMIT if depth is None else depth)
    return asked_by(found, None, rule=rule, limit=limit)


def compare(
    before: Capture,
    after: Capture,
    *,
    same_frame: bool = False,
    same_surface: bool = False,
    reference: Iterable[Rectangle] = (),
    reference_walls: Iterable[int] = (),
    points: str | Path | None = None,
    least: Length = 0.005,
    background: Requirement | None = None,
    required: Requirement | None = None,
    confirm: Iterable[str] = (),
    earlier: How | None = None,
    **how: Unpack[How],
) -> Change:
    """What changed on a wall between two captures of it: thickness applied, where, beyond the uncertainty of both.

    A thickness is known only where something ties the two together; else only changes of shape are.

    Parameters
    ----------
    before, after : path, array of shape (n, 3) in metres, or what `read` gave
        The two captures.
    same_frame : bool
        Both share one coordinate system.
    same_surface : bool
        Nothing was done between them: do they agree?
    reference : iterable of rectangles
        Parts (left, bottom, right, top) of the wall before that nobody worked on.
    reference_walls : iterable of int
        Other walls of the capture before that nobody worked on.
    points : path, optional
        Table (CSV) of fixed points in both.
    least : length
        Least thickness asked for; places under it are listed.
    background, required : Requirement, optional
        What the surface before, and the surface after, are judged by.
    confirm : iterable of "size", "order", "even", "wall", "copy"
        Answers to what is asked of the two, as `questions` of the result names them.
    earlier : dict, optional
        Settings of `relief` that were others for the capture before.
    **how
        Settings of `relief`, for both.

    Returns
    -------
    Change
        `difference` (its `change` (rows, cols), `mean` and `volume` with u, `places`), `following`, `verdict`.

    Raises
    ------
    FlatscanError
        What `relief` raises, and `MixedSurveys` where the two show different walls or overlap too little.

    Source
    ------
    methods/comparison 1 to 5.

    Examples
    --------
    >>> import flatscan as fs
    >>> wall = "sample_clouds/laser_grid.csv"
    >>> fs.compare(wall, wall, same_surface=True).agreement.agree
    True
    """
    if isinstance(before, Seen) or isinstance(after, Seen):
        raise BadValue(
            "{set:before} and {set:after}",
            "a wall already seen",
            needed="two captures: both walls are seen anew, on cells of one size",
            remedy="Give their paths, or what was read from them",
        )
    later = capturing(how)
    first = capturing({**how, "tie": None, "repeat": (), **(earlier or {})})  # type: ignore[typeddict-item]
    asked = Comparing(
        same_frame=same_frame,
        same_surface=same_surface,
        reference=tuple(_rectangle(place) for place in reference),
        reference_walls=tuple(reference_walls),
        points=None if points is None else str(points),
        least=in_metres(least, "least"),
        background=background,
        finish=required,
        confirm=tuple(confirm),
    )
    return asked_by(jobs.compare_surveys(before, after, (first, later), asked), None, later, least=asked.least)


def lines(path: str | Path, *, rule: Length = DEFAULT_RULE) -> Lines:
    """Photographed laser lines, with the largest gap along each under a straightedge.

    Parameters
    ----------
    path : path
        Set-up file (TOML) that names the pictures.
    rule : length
        Of the straightedge.

    Returns
    -------
    Lines
        `surveyed` (its `lines`, each with heights and its error budget) and `gaps`, one a line, None where no
        straightedge rests on three stations.

    Raises
    ------
    FlatscanError
        `ReadError` or `BadTable` for a set-up or pictures that show no line.

    Source
    ------
    methods/laser-line 1 and 8.

    Examples
    --------
    >>> import flatscan as fs
    >>> fs.lines("no-such-hall.toml")
    Traceback (most recent call last):
    flatscan.core.errors.ReadError: ...
    """
    return jobs.lines(path, in_metres(rule, "rule"))


def _rectangle(place: Rectangle) -> tuple[float, float, float, float]:
    left, bottom, right, top = (in_metres(length, "reference") for length in place)
    return left, bottom, right, top


def _degrees(directions: Iterable[float] | None) -> tuple[float, ...] | None:
    return None if directions is None else tuple(float(direction) for direction in directions)

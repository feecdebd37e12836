"""The addresses of the page: which view answers each, which takes the desk first, and how it may be asked."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

Addresses = dict[str, tuple[Callable[..., Any], str]]


def of_the_desk() -> Addresses:
    """What is not of one wall: view and methods by address."""
    from flatscan.desk import choosing, overview, phones, rechecks

    return {
        "/": (overview.home, "GET"),
        "/back": (overview.bring_back, "POST"),
        "/new": (choosing.new, "POST"),
        "/phones": (phones.phones, "GET POST"),
        "/pair": (phones.pair, "GET POST"),
        "/certificate": (phones.certificate, "GET"),
        "/away": (phones.away, "GET"),
        "/app.webmanifest": (phones.manifest, "GET"),
        "/icon-<int:size>.png": (phones.icon, "GET"),
        "/recheck": (rechecks.drop, "GET POST"),
        "/recheck/<name>": (rechecks.found, "GET"),
        "/recheck/<name>/state": (rechecks.state, "GET"),
        "/recheck/<name>/stop": (rechecks.stop, "POST"),
    }


def of_a_wall() -> Addresses:
    """What is of one wall: view and methods by address."""
    from flatscan.desk import (
        against,
        answers,
        choosing,
        line_page,
        mending,
        more_captures,
        overview,
        papers,
        pricing,
        screens,
        sealing,
        sizing,
        stations,
        syncing,
    )

    return {
        "/wall/<name>/about": (overview.about, "GET POST"),
        "/wall/<name>/prices": (pricing.prices, "GET POST"),
        "/wall/<name>/copy": (overview.copy, "POST"),
        "/wall/<name>/away": (overview.put_away, "POST"),
        "/wall/<name>/": (choosing.go_on, "GET"),
        "/wall/<name>/capture": (choosing.capture, "GET POST"),
        "/wall/<name>/keep": (screens.keep, "POST"),
        "/wall/<name>/state": (screens.state, "GET"),
        "/wall/<name>/stop": (screens.stop, "POST"),
        "/wall/<name>/again": (screens.again, "POST"),
        "/wall/<name>/size": (sizing.size, "GET POST"),
        "/wall/<name>/readings": (stations.readings, "GET POST"),
        "/wall/<name>/reading": (syncing.reading, "POST"),
        "/wall/<name>/lines": (line_page.lines, "GET POST"),
        "/wall/<name>/wall": (choosing.wall, "GET POST"),
        "/wall/<name>/seen/<wall>": (choosing.picture, "GET"),
        "/wall/<name>/purpose": (choosing.purpose, "GET POST"),
        "/wall/<name>/questions": (choosing.ask, "GET POST"),
        "/wall/<name>/answers": (answers.answers, "GET POST"),
        "/wall/<name>/fix": (mending.fix, "POST"),
        "/wall/<name>/boxes": (mending.boxes, "POST"),
        "/wall/<name>/cut": (mending.cut, "POST"),
        "/wall/<name>/accept": (mending.accept, "POST"),
        "/wall/<name>/plan": (mending.plan_page, "GET POST"),
        "/wall/<name>/undo": (mending.undo, "POST"),
        "/wall/<name>/redo": (mending.redo, "POST"),
        "/wall/<name>/sheets": (papers.sheets_page, "GET POST"),
        "/wall/<name>/evidence": (sealing.evidence_page, "GET POST"),
        "/wall/<name>/stated": (sealing.stated, "POST"),
        "/wall/<name>/file/<file>": (papers.file, "GET"),
        "/wall/<name>/compare": (against.compare, "GET POST"),
        "/wall/<name>/compare/state": (against.state, "GET"),
        "/wall/<name>/compared/<file>": (against.file, "GET"),
        "/wall/<name>/more": (more_captures.more, "GET POST"),
    }

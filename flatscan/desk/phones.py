"""Phones: letting one in by a code on the page, putting it out, trusting the certificate, and what it installs."""

from __future__ import annotations

import io
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from flatscan.desk.devices import CODE_LASTS
from flatscan.desk.letting_in import welcome

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

_SIZES = (192, 512)


def phones(desk: Desk) -> Any:
    """The code that lets one more device in, how it is told to trust this machine, and the devices let in so far."""
    from flask import g, redirect, render_template, request

    if request.method == "POST":
        desk.devices.put_out(request.form.get("remove", ""))
        return redirect("/phones", 303)
    address = "" if not desk.outside else f"{desk.outside}/pair?code={desk.devices.new_code()}"
    return render_template(
        "phones.html.j2",
        address=address,
        code=_drawn(address) if address else "",
        minutes=int(CODE_LASTS / 60),
        devices=desk.devices.all(),
        own=None if g.device is None else g.device.mark,
        fingerprint=None if desk.certificate is None else desk.certificate.fingerprint,
    )


def _drawn(address: str) -> Markup:
    """An address as a code to scan."""
    import segno

    drawn = io.BytesIO()
    segno.make(address, micro=False).save(
        drawn, kind="svg", border=4, xmldecl=False, svgclass="code", lineclass=None, omitsize=True, light="#fff"
    )
    # nothing but squares stands in it
    return Markup(drawn.getvalue().decode())  # noqa: S704


def pair(desk: Desk) -> Any:
    """Where the code leads: one button lets this device in, for good; looking at the page uses nothing up."""
    from flask import g, redirect, render_template, request

    code = request.values.get("code", "")
    if request.method == "POST":
        if desk.devices.use(code):
            return welcome(redirect("/", 303), desk.devices, request.form.get("device", ""), secure=g.secure)
        return render_template("pair.html.j2", code="", known=g.device), HTTPStatus.FORBIDDEN
    return render_template("pair.html.j2", code=code if desk.devices.is_code(code) else "", known=g.device)


def certificate(desk: Desk) -> Any:
    """The root that a phone is told to trust."""
    from flask import Response, abort

    if desk.certificate is None:
        abort(HTTPStatus.NOT_FOUND)
    said = {"Content-Disposition": 'attachment; filename="flatscan-desk.crt"'}
    return Response(desk.certificate.root.read_bytes(), mimetype="application/x-x509-ca-cert", headers=said)


def away(_desk: Desk) -> Any:
    """What a phone shows that has no connection: the reading screens that it keeps."""
    from flask import render_template

    return render_template("away.html.j2")


def manifest(_desk: Desk) -> Any:
    """What makes the page one that a phone can install (W3C, Web Application Manifest)."""
    from flask import jsonify

    icons = [{"src": f"/icon-{size}.png", "sizes": f"{size}x{size}", "type": "image/png"} for size in _SIZES]
    made = {"name": "flatscan", "short_name": "flatscan", "id": "/", "start_url": "/", "scope": "/"}
    colours = {"display": "standalone", "background_color": "#ffffff", "theme_color": "#ffffff"}
    answer = jsonify(made | colours | {"icons": icons})
    answer.mimetype = "application/manifest+json"
    return answer


def icon(_desk: Desk, size: int) -> Any:
    """A straightedge on a wall that is not flat."""
    from flask import Response, abort
    from PIL import Image, ImageDraw

    if size not in _SIZES:
        abort(HTTPStatus.NOT_FOUND)
    picture = Image.new("L", (size, size), 255)
    pen, unit = ImageDraw.Draw(picture), size / 16
    wall = [(0, 12), (3, 9.4), (6, 11.4), (9, 11), (12, 9.4), (16, 12), (16, 16), (0, 16)]
    pen.polygon([(x * unit, y * unit) for x, y in wall], fill=140)
    pen.rectangle([unit, 7.2 * unit, 15 * unit, 9.4 * unit], fill=17)
    drawn = io.BytesIO()
    picture.save(drawn, "PNG")
    return Response(drawn.getvalue(), mimetype="image/png")

"""Pairing, the chute page, devices, backup, health and metrics."""

from __future__ import annotations

import time
from typing import Any

from flask import Blueprint, Response, abort, redirect, render_template, request, url_for

from legibility.containers import Stage
from legibility.errors import StoreError
from legibility.identify.stages import WHAT_TO_DO, stage_name
from legibility.report.words import CAUTION
from legibility.store.database import open_herd
from legibility.web.api import server
from legibility.web.guard import COOKIE, device_here

pages = Blueprint("pages", __name__)


@pages.get("/pair")
def pair_page() -> str:
    """Where a device gives its code."""
    return render_template("pair.html", wrong=False)


@pages.post("/pair")
def pair() -> Any:
    """Give a device its token, for a code that is used up by it."""
    here = server()
    token = here.devices.pair(request.form.get("code", "")[:40], name=request.form.get("name", ""))
    if token is None:
        return render_template("pair.html", wrong=True), 403
    answer = redirect(url_for("pages.chute"), code=303)
    answer.set_cookie(
        COOKIE,
        token,
        max_age=int(here.config.limits.token_hours * 3600),
        httponly=True,
        samesite="Strict",
        secure=here.config.secure,
    )
    return answer


@pages.get("/")
def chute() -> str:
    """The page at the chute."""
    here = server()
    return render_template(
        "chute.html",
        csrf=here.devices.csrf_of(device_here()),
        stages=[(s.value, stage_name(s), WHAT_TO_DO[s]) for s in Stage],
        budget_min=here.config.settings.handling_budget_min,
        eyes_first=here.config.eyes_first,
        exposed=here.config.host != "127.0.0.1" and not here.config.secure,
        caution=CAUTION,
    )


@pages.get("/devices")
def devices() -> str:
    """Paired devices, a button for another one, and the backup."""
    here = server()
    return render_template(
        "devices.html",
        csrf=here.devices.csrf_of(device_here()),
        devices=here.devices.all(),
        mine=device_here().device_id,
        now=time.time(),
        said=request.args.get("said", ""),
    )


@pages.post("/devices/<device_id>/revoke")
def revoke(device_id: str) -> Any:
    """Shut a device out."""
    if not server().devices.revoke(device_id):
        abort(404)
    return redirect(url_for("pages.devices"), code=303)


@pages.post("/devices/code")
def new_code() -> str:
    """A code for one more device, also as a picture a camera can read."""
    import segno

    config, code = server().config, server().devices.new_code()
    address = config.pairing_page
    picture = segno.make(f"{address}#{code}", error="m").svg_inline(scale=6, border=4)
    alone = config.host == "127.0.0.1"
    return render_template("code.html", code=code, address=address, picture=picture, alone=alone)


@pages.post("/backup")
def backup() -> Any:
    """Copy the record while it is in use."""
    herd = server().config.herd
    target = herd.with_name(f"{herd.stem}-{time.strftime('%Y%m%d-%H%M%S')}.db")
    try:
        with open_herd(herd, read_only=True) as db:
            db.backup(target)
        said = f"Copied to {target.name}."
    except StoreError as error:
        said = f"No copy was made: {error}"
    back = "office.home" if request.form.get("back") == "office" else "pages.devices"
    return redirect(url_for(back, said=said), code=303)


@pages.get("/healthz")
def health() -> dict[str, str]:
    """Whether the server answers."""
    return {"status": "ok"}


@pages.get("/metrics")
def metrics() -> Response:
    """Counts and times for a collector of metrics."""
    here = server()
    gauges = {"photos_waiting": float(here.dispatcher.waiting)}
    return Response(here.measures.text(gauges), mimetype="text/plain; version=0.0.4")

"""What every request passes: host, token, CSRF, rate; and what every answer carries."""

from __future__ import annotations

import hmac
import math
import time
from typing import Final

from flask import Flask, Response, abort, current_app, g, request

from legibility.photo.load import MIB
from legibility.web.config import ServerConfig
from legibility.web.devices import Device, Devices
from legibility.web.journal import log
from legibility.web.measures import Measures
from legibility.web.ratelimit import RateLimit

COOKIE: Final = "legibility_device"
OPEN: Final = frozenset({"pages.pair_page", "pages.pair", "pages.health", "static"})
"""What may be asked for without a token: no photo and no word of the herd."""
QUIET: Final = frozenset({"api.get_visit", "api.visits", "api.picture", "static", "pages.health"})
"""Asked for many times a minute; counted, and logged only when it fails."""
CARD: Final = "office.prove"
"""Takes the photo of a card in a form."""
REGISTRY: Final = "office.take_registry"
"""Takes a registry in a form."""
CHANGES: Final = frozenset({"POST", "PUT", "PATCH", "DELETE"})
FORMS: Final = ("application/x-www-form-urlencoded", "multipart/form-data")
"""How browsers send forms; their size was looked at before. A photo is no form."""

HEADERS: Final = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), geolocation=(), microphone=()",
    "Cache-Control": "no-store",
}
"""Content Security Policy Level 3 (W3C); no script and no style outside files of this server."""


def install(app: Flask, config: ServerConfig, devices: Devices, measures: Measures) -> None:
    """Put the guard before and behind every request of the app."""
    requests = RateLimit(config.limits.requests_per_minute)
    pairings = RateLimit(config.limits.pairings_per_minute, burst=config.limits.pairings_per_minute)
    uploads = RateLimit(config.limits.uploads_per_minute)

    @app.before_request
    def check() -> None:
        g.began = time.perf_counter()
        if request.host.rsplit(":", 1)[0].strip("[]").lower() not in config.host_names:
            abort(400, "this server is not known under this name")
        endpoint = request.endpoint or ""
        device = devices.of_token(request.cookies.get(COOKIE, ""))
        g.device = device
        if endpoint == "pages.pair":
            _pass(pairings, request.remote_addr or "")
        if request.method in CHANGES:
            _check_origin()
        if endpoint != "api.put_photo":
            request.max_content_length = config.limits.form_bytes
        file_mib = {CARD: config.settings.max_file_mib, REGISTRY: config.limits.registry_mib}
        if endpoint in file_mib:
            # Its fields are no larger than those of other forms.
            room = int(file_mib[endpoint] * MIB)
            request.max_content_length = config.limits.form_bytes + room
            request.max_form_memory_size = config.limits.form_bytes
        if endpoint in OPEN or (endpoint == "pages.metrics" and _is_this_computer()):
            return
        if device is None:
            abort(401)
        _pass(requests, device.device_id)
        if endpoint == "api.put_photo" or (endpoint in file_mib and request.method in CHANGES):
            _pass(uploads, device.device_id)
        too_long = (request.content_length or 0) > (request.max_content_length or 0)
        if endpoint in file_mib and too_long:
            what = "photo" if endpoint == CARD else "registry"
            most = f"{file_mib[endpoint]:g} MiB"
            abort(413, f"the limit for a {what} is {most}; send a smaller copy")
        if request.method in CHANGES:
            _check_csrf(devices, device)

    @app.after_request
    def finish(response: Response) -> Response:
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        if config.secure:
            response.headers["Strict-Transport-Security"] = "max-age=86400"
        seconds = time.perf_counter() - g.get("began", time.perf_counter())
        # The rule, not the path: a path may name an animal.
        kind = request.endpoint or "unknown"
        measures.count("requests_total", kind=kind, status=str(response.status_code))
        measures.took("request_seconds", seconds)
        if kind not in QUIET or response.status_code >= 400:
            log(
                "request",
                kind=kind,
                method=request.method,
                status=response.status_code,
                ms=round(1000 * seconds),
            )
        return response


def device_here() -> Device:
    """The device that asks; the guard has let nobody else through."""
    device: Device = g.device
    return device


def _is_this_computer() -> bool:
    return request.remote_addr in ("127.0.0.1", "::1")


def _pass(limit: RateLimit, key: str) -> None:
    wait = limit.wait_s(key)
    if wait > 0:
        answer = current_app.make_response(({"error": "too many requests; wait a moment"}, 429))
        answer.headers["Retry-After"] = str(math.ceil(wait))
        abort(answer)


def _check_origin() -> None:
    origin = request.headers.get("Origin")
    if origin is not None and origin.split("://", 1)[-1] != request.host:
        abort(403, "this request comes from another page")


def _check_csrf(devices: Devices, device: Device) -> None:
    sent = request.headers.get("X-CSRF-Token") or (
        request.form.get("csrf", "")
        if request.mimetype in FORMS and request.endpoint != "api.put_photo"
        else ""
    )
    if not hmac.compare_digest(sent.encode(), devices.csrf_of(device).encode()):
        abort(403, "the page is too old; load it again")

"""What every request passes: host, token, CSRF, rate; and what every answer carries."""

from __future__ import annotations

import hmac
import math
import time
from dataclasses import dataclass
from typing import Any, Final

from flask import Flask, Response, abort, current_app, g, request

from legibility.photo.load import MIB
from legibility.web.config import ServerConfig
from legibility.web.devices import Device, Devices
from legibility.web.journal import log
from legibility.web.measures import Measures
from legibility.web.ratelimit import RateLimit

COOKIE: Final = "legibility_device"
PAIRS: Final = "pages.pair"
"""Takes a code."""
PHOTO: Final = "api.put_photo"
"""Takes a photo as it is."""
OPEN: Final = frozenset({"pages.pair_page", PAIRS, "pages.health", "static"})
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


@dataclass(frozen=True, slots=True)
class Entry:
    """What the head of a request tells of it."""

    device_id: str
    """The paired device that asks; empty without a good token."""
    most_bytes: int
    """Longest body that is received at all."""


def look_at_head(
    app: Flask, environ: dict[str, Any], config: ServerConfig, devices: Devices
) -> Entry:
    """Who asks, and how much may be sent, before any of it is received."""
    with app.request_context(environ):
        endpoint = request.endpoint or ""
        device = devices.of_token(request.cookies.get(COOKIE, ""))
    if device is None:
        return Entry("", config.limits.pairing_bytes if endpoint == PAIRS else 0)
    return Entry(device.device_id, _longest_body(endpoint, config))


def _longest_body(endpoint: str, config: ServerConfig) -> int:
    if endpoint == PHOTO:
        return int(config.settings.max_file_mib * MIB)
    # The fields beside a file are no larger than those of other forms.
    return config.limits.form_bytes + int(_file_mib(config).get(endpoint, 0.0) * MIB)


def _file_mib(config: ServerConfig) -> dict[str, float]:
    return {CARD: config.settings.max_file_mib, REGISTRY: config.limits.registry_mib}


def install(app: Flask, config: ServerConfig, devices: Devices, measures: Measures) -> None:
    """Put the guard before and behind every request of the app."""
    limits = config.limits
    requests = RateLimit(limits.requests_per_minute)
    wrong_codes = RateLimit(limits.wrong_codes_per_minute, burst=limits.wrong_codes_at_once)
    uploads = RateLimit(limits.uploads_per_minute)
    file_mib = _file_mib(config)

    @app.before_request
    def check() -> None:
        g.began = time.perf_counter()
        if request.host.rsplit(":", 1)[0].strip("[]").lower() not in config.host_names:
            abort(400, "this server is not known under this name")
        endpoint = request.endpoint or ""
        device = devices.of_token(request.cookies.get(COOKIE, ""))
        g.device = device
        if endpoint == PAIRS:
            _refuse_for(wrong_codes.wait_s(request.remote_addr or "", counts=False))
        if request.method in CHANGES:
            _check_origin()
        if endpoint != PHOTO:
            request.max_content_length = _longest_body(endpoint, config)
        if endpoint in file_mib:
            request.max_form_memory_size = limits.form_bytes
        if endpoint in OPEN or (endpoint == "pages.metrics" and _is_this_computer()):
            return
        if device is None:
            abort(401)
        _refuse_for(requests.wait_s(device.device_id))
        if endpoint == PHOTO or (endpoint in file_mib and request.method in CHANGES):
            _refuse_for(uploads.wait_s(device.device_id))
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
        if kind == PAIRS and response.status_code == 403:
            wrong_codes.wait_s(request.remote_addr or "")
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


def _refuse_for(wait: float) -> None:
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
        if request.mimetype in FORMS and request.endpoint != PHOTO
        else ""
    )
    if not hmac.compare_digest(sent.encode(), devices.csrf_of(device).encode()):
        abort(403, "the page is too old; load it again")

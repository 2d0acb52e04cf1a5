"""The application: parts of the server, guard and pages put together."""

from __future__ import annotations

from typing import Any

from flask import Flask, redirect, render_template, request
from werkzeug.exceptions import HTTPException, InternalServerError, Unauthorized

from legibility.web import (
    guard,
    office_animals,
    office_blind,
    office_claims,
    office_correct,
    office_lists,
    office_marks,
    office_pages,
    office_registry,
    office_visits,
)
from legibility.web.api import api
from legibility.web.journal import log
from legibility.web.office_parts import office
from legibility.web.pages import pages
from legibility.web.state import Server

OFFICE = (
    office_animals, office_blind, office_claims, office_correct, office_lists, office_marks,
    office_pages, office_registry, office_visits,
)  # fmt: skip
"""Their pages are part of the office as soon as they are imported."""


def create_app(server: Server) -> Flask:
    """A WSGI application for an opened server."""
    app = Flask(__name__)
    app.extensions["legibility"] = server
    app.register_blueprint(api)
    app.register_blueprint(pages)
    app.register_blueprint(office)
    guard.install(app, server.config, server.devices, server.measures)

    @app.errorhandler(HTTPException)
    def in_words(error: HTTPException) -> Any:
        if error.response is not None:
            return error.response
        if request.path.startswith("/api/"):
            return {"error": error.description}, error.code or 500
        if isinstance(error, Unauthorized):
            return redirect("/pair", code=303)
        return render_template("error.html", text=error.description), error.code or 500

    @app.errorhandler(Exception)
    def went_wrong(error: Exception) -> Any:
        log("request failed", level=40, failed=True)
        return in_words(InternalServerError())

    return app

"""The phone's and the office's pages, asked for by Flask's test client over the old record."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Final

from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from legibility.settings import Settings
from legibility.web.app import create_app
from legibility.web.config import ServerConfig
from legibility.web.state import open_server
from legibility.workers import InlineExecutor

from .frozen import frozen
from .running import ROOT, said
from .wording import Wording

SHA: Final = "5f3447d46e4850dda480bae17a0132c1c369fd5367a98d96ddc8e2044e2d657d"
"""Of ``sample_images/as-new.jpg``, which is in the old record."""
OFFICE: Final = {
    "home": "/office/",
    "worklist": "/office/worklist?limit=6",
    "plan": "/office/plan",
    "plan-made": "/office/plan?minutes=30&hands=2&transponders=2&sedations=1",
    "plan-bad": "/office/plan?minutes=soon",
    "registry": "/office/registry",
    "animals": "/office/animals",
    "animals-judged": "/office/animals?group=judged",
    "animals-found": "/office/animals?find=K1",
    "animal": "/office/animal?id=Ewe+003",
    "animal-with-photo": "/office/animal?id=Eskel+005",
    "animal-unknown": "/office/animal?id=Nobody",
    "risk": "/office/risk",
    "risk-made": "/office/risk?years=0+5+10&grades=4+3+1.5&year=2026",
    "retention": "/office/retention",
    "chain": "/office/chain",
    "cases": "/office/cases",
    "case": "/office/case?number=1",
    "claims": "/office/claims?a=Eskel+005&b=Amsel+001",
    "blind": "/office/blind",
    "photos": "/office/photos",
    "photos-unnamed": "/office/photos?unnamed=yes",
    "photo": f"/office/photo?sha256={SHA}",
    "new-marks": "/office/new-marks",
    "new-marks-made": "/office/new-marks?count=2&condition=worn&patterns=%40%23%7B3%7D"
    "&characters=ABCDEFGHK0123456789",
    "new-marks-bad": "/office/new-marks?count=many",
    "cards": "/office/cards",
    "dies": "/office/dies",
    "calibration": "/office/calibration",
    "visits": "/office/visits",
    "scans": "/office/list/scans",
    "people": "/office/list/people",
    "confirmed": "/office/list/confirmed",
    "decisions": "/office/list/decisions",
    "entries": "/office/list/entries",
    "corrections": "/office/corrections",
    "reading": "/office/reading?number=1",
    "scan": "/office/scan?number=1",
    "style": "/office/look.css",
    "none": "/office/nothing",
}
PHONE: Final = {
    "phone-chute": "/",
    "phone-pair": "/pair",
    "phone-devices": "/devices",
    "phone-health": "/healthz",
}
VISIT, PHOTO = "a" * 32, "b" * 32


def outputs(
    inputs: Callable[[Path], frozenset[str]], put_record: Callable[[Path], None]
) -> dict[str, str]:
    """Status and text of every page; the office's first, then one animal at the chute."""
    with frozen() as folder:
        known = inputs(folder)
        put_record(folder)
        (folder / "against.csv").write_text("animal_id,mark,ear\nEwe 000,K999,left\n")
        said("herd", "import-registry", "herd.db", "against.csv", "--who", "Ada")
        wording = Wording(folder, ROOT, read=True, known=known)
        server = open_server(
            ServerConfig(
                herd=folder / "herd.db",
                host_names=("localhost",),
                settings=Settings(second_reader=False),
            ),
            open_pool=InlineExecutor,
        )
        try:
            client = create_app(server).test_client()
            code = server.devices.new_code()
            made = {"phone-stranger": _shown(client.get("/office/"), wording)}
            paired = client.post("/pair", data={"code": code, "name": "<desk>"})
            made["phone-paired"] = _shown(paired, wording)
            csrf = server.devices.csrf_of(server.devices.all()[0])
            for name, address in {**PHONE, **OFFICE}.items():
                made[name] = _followed(client, client.get(address), wording)
            made.update(_asked(client, csrf, folder, wording))
            made.update(_at_the_chute(client, csrf, folder, wording))
        finally:
            server.close()
    return made


def _asked(client: FlaskClient, csrf: str, folder: Path, wording: Wording) -> dict[str, str]:
    """What is sent with a form."""

    def send(address: str, **data: object) -> str:
        answer = client.post(
            address, data={"csrf": csrf, **data}, content_type="multipart/form-data"
        )
        return _followed(client, answer, wording)

    registry = (io.BytesIO((folder / "sample_images" / "registry.csv").read_bytes()), "r.csv")
    claims = {"a": "Eskel 005", "b": "J341", "photo": SHA}
    return {
        "registry-sent": send("/office/registry", file=registry),
        "compared": send("/office/claims", do="compare", **claims),
        "case-decided": send("/office/case/decide", number="1", what="told apart", who="Cy"),
        "photo-corrected": send("/office/correct/photo", sha256=SHA, ear="right", why="seen again"),
        "corrections-after": _shown(client.get("/office/corrections"), wording),
        "refused": _followed(client, client.post("/office/claims", data=claims), wording),
    }


def _at_the_chute(client: FlaskClient, csrf: str, folder: Path, wording: Wording) -> dict[str, str]:
    """One animal: a photo, what eyes read, a transponder, and what the phone is told."""
    header = {"X-CSRF-Token": csrf}
    visit = f"/api/visits/{VISIT}"
    photo = (folder / "old" / "small.jpg").read_bytes()
    steps = {
        "api-visit": client.put(visit, json={"label": "pen 3", "ear": "left"}, headers=header),
        "api-photo": client.put(
            f"{visit}/photos/{PHOTO}?stage=cleaned", data=photo, headers=header
        ),
        "api-eyes": client.put(
            f"{visit}/photos/{PHOTO}/eyes", json={"text": "J34?"}, headers=header
        ),
        "api-transponder": client.post(
            f"{visit}/transponder", json={"text": "999058523759006"}, headers=header
        ),
        "api-answered": client.get(visit),
        "api-queue": client.get("/api/visits"),
        "visits-after": client.get("/office/visits"),
    }
    return {name: _shown(answer, wording) for name, answer in steps.items()}


def _followed(client: FlaskClient, answer: TestResponse, wording: Wording) -> str:
    """A page, and the one that it leads to."""
    text = _shown(answer, wording)
    if answer.status_code == 303:
        text += "\n" + _shown(client.get(answer.headers["Location"]), wording)
    return text


def _shown(answer: TestResponse, wording: Wording) -> str:
    """Status, where it leads, kind, and what it says."""
    head = [f"{answer.status_code} {answer.mimetype}"]
    if "Location" in answer.headers:
        head.append(f"Location: {answer.headers['Location']}")
    policy = answer.headers.get("Content-Security-Policy", "")
    if policy:
        head.append(f"Content-Security-Policy: {policy}")
    text = answer.get_data(as_text=True)
    if answer.mimetype == "application/json":
        text = json.dumps(json.loads(text), indent=1, ensure_ascii=False)
    answer.close()
    return wording.short(wording.text("\n".join([*head, "", text])).rstrip("\n")) + "\n"

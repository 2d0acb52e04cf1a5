"""Claims, dossiers and blind sheets in the office, with a photo that is really read."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from dataclasses import replace
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest

from legibility.errors import EvidenceError
from legibility.photo.load import load_photo
from legibility.pipeline.case_files import Case
from legibility.pipeline.custody import verify_herd
from legibility.pipeline.record_pictures import BESIDE_PX
from legibility.report.mark_crop import MARGIN, upright_mark
from legibility.settings import Settings
from legibility.store.database import open_herd
from legibility.store.decisions import open_case
from legibility.store.events import all_events, append_event
from legibility.store.photo_folder import digest_of
from legibility.store.readings import readings_of, whole_reading
from legibility.store.records import CaseRow
from legibility.web.app import create_app
from legibility.web.config import ServerConfig
from legibility.web.state import open_server
from legibility.workers import InlineExecutor

from .conftest import Phone
from .test_office import HOSTILE, Parts, call, joined, words

SAMPLES = Path(__file__).parents[2] / "sample_images"
PHOTO = SAMPLES / "as-new.jpg"
SHA = digest_of(PHOTO)
CLAIMS = {"a": "Eskel 005", "b": "Amsel 001", "photo": SHA}


@pytest.fixture(scope="module")
def herd(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample registry, and a photo of Eskel 005 that was read."""
    path = tmp_path_factory.mktemp("claims") / "herd.db"
    call("herd", "new", path)
    call("herd", "import-registry", path, SAMPLES / "registry.csv", "--test-numbers")
    call("herd", "import-photos", path, PHOTO, "--no-second-reader", "--jobs", "1")
    return path


@pytest.fixture
def desk(herd: Path) -> Phone:
    config = ServerConfig(
        herd=herd, host_names=("localhost",), settings=Settings(second_reader=False)
    )
    server = open_server(config, open_pool=InlineExecutor)
    client = create_app(server).test_client()
    client.post("/pair", data={"code": server.devices.new_code(), "name": "<desk>"})
    return Phone(client, server.devices.csrf_of(server.devices.all()[0]))


def send(desk: Phone, address: str, **data: object) -> str:
    """Post a form; where it leads."""
    answer = desk.client.post(address, data={"csrf": desk.csrf, **data})
    assert answer.status_code == 303, words(answer.text)
    return answer.headers["Location"]


def file_of(desk: Phone, address: str) -> bytes:
    """What a file of a result holds."""
    with desk.client.get(address) as answer:
        assert answer.status_code == 200
        return answer.data


def work_of(herd: Path) -> list[tuple[str, str]]:
    """What the record's chain says was done, and by whom."""
    with open_herd(herd, read_only=True) as db:
        return [(event.what, event.who) for event in all_events(db)]


def test_claims_are_weighed_as_by_the_command(herd: Path, desk: Phone, tmp_path: Path) -> None:
    form = desk.client.get("/office/claims?a=Eskel+005&b=Amsel+001").text
    assert f'value="{SHA}"' in form
    address = send(desk, "/office/claims", do="compare", **CLAIMS)
    page = desk.client.get(address)
    assert page.status_code == 200
    assert Parts(page.text).inline == []
    assert f"/office/photo?sha256={SHA}" in page.text
    kept = json.loads(file_of(desk, f"{address}/comparison.json"))
    options = tmp_path / "settings.toml"
    options.write_text("second_reader = false\n")
    told = json.loads(
        call(
            "compare", PHOTO, "--claim", "Eskel 005", "--claim", "Amsel 001", "--json", "-",
            "--registry", SAMPLES / "registry.csv", "--settings", options,
        )
    )  # fmt: skip
    assert kept["log_ratio"] == told["log_ratio"] > 0
    assert kept["photos"][0]["characters"] == told["photos"][0]["characters"]
    assert kept["against_neither"] == told["against_neither"]
    assert f"for A ({CLAIMS['a']}) against B ({CLAIMS['b']})" in words(page.text)
    assert work_of(herd)[-1] == ("compare", "<desk>")


def test_a_dossier_holds_the_original_and_is_entered_into_the_chain(
    herd: Path, desk: Phone
) -> None:
    asked = {**CLAIMS, "question": HOSTILE, "authority": HOSTILE}
    address = send(desk, "/office/claims", do="dossier", **asked)
    page = desk.client.get(address)
    assert HOSTILE not in page.text
    assert HOSTILE in words(page.text)
    with zipfile.ZipFile(io.BytesIO(file_of(desk, f"{address}/dossier.zip"))) as found:
        assert found.read("originals/01.jpg") == PHOTO.read_bytes()
        record = json.loads(found.read("dossier.json"))
    assert record["chain"]["entries"] == len(work_of(herd)) - 1
    assert record["items"][0]["entries"][0]["what"] == "read photo"
    assert work_of(herd)[-1] == ("dossier", "<desk>")
    opened = desk.client.get(f"{address}/dossier.html")
    assert HOSTILE not in opened.text
    assert opened.headers["Content-Security-Policy"].startswith("sandbox;")
    opened.close()
    assert verify_herd(herd).problems == ()


def test_a_dossier_of_a_case_takes_what_the_case_is_about(
    herd: Path, desk: Phone, monkeypatch: pytest.MonkeyPatch
) -> None:
    detail = {"animals": ["Eskel 005", "Amsel 001"], "photo_sha256": SHA}
    with open_herd(herd) as db, db.transaction():
        open_case(db, CaseRow("k1", "two animals, one number", "a summary", detail))
        append_event(db, what="test")
    seen: list[Case] = []

    def noted(case: Case, files: object, *, page: Path) -> None:
        seen.append(case)
        raise EvidenceError("enough is known")

    # By the module itself: a test that loads the package anew leaves it out of its parent.
    monkeypatch.setattr(import_module("legibility.pipeline.dossier"), "make_dossier", noted)
    shown = desk.client.get("/office/case?number=1").text
    assert f"/office/photo?sha256={SHA}" in shown
    answer = desk.client.get(send(desk, "/office/case/dossier", number="1", authority="the breed"))
    assert answer.status_code == 422
    assert "enough is known" in words(answer.text)
    swapped = {"a": "Amsel 001", "b": "Eskel 005", "number": "1"}
    send(desk, "/office/case/dossier", **swapped)
    assert [case.claims for case in seen] == [
        ("Eskel 005", "Amsel 001"),
        ("Amsel 001", "Eskel 005"),
    ]
    assert [item.sha256 for case in seen for item in case.items] == [SHA, SHA]
    assert (seen[0].number, seen[0].authority, seen[0].made_by) == (1, "the breed", "<desk>")
    asked = {"csrf": desk.csrf, "number": "1", "a": "Amsel 001"}
    answer = desk.client.post("/office/case/dossier", data=asked)
    assert "name both claims" in words(answer.text)


def test_claims_that_cannot_be_weighed_are_refused_in_words(desk: Phone) -> None:
    for form, word in (
        ({**CLAIMS, "b": ""}, "a claim is empty"),
        ({"a": "Eskel 005", "b": "Amsel 001"}, "no photo was chosen"),
        ({**CLAIMS, "photo": "../../etc"}, "SHA-256"),
    ):
        answer = desk.client.post("/office/claims", data={"csrf": desk.csrf, **form})
        assert answer.status_code == 422
        assert word in words(answer.text)
    for form, word in (
        ({**CLAIMS, "b": HOSTILE}, "is no animal and no mark"),
        ({**CLAIMS, "photo": "0" * 64}, "is not in this record"),
        ({**CLAIMS, "b": "J342"}, "cannot tell them apart"),
    ):
        answer = desk.client.get(send(desk, "/office/claims", do="compare", **form))
        assert answer.status_code == 422
        assert word in words(answer.text)
        assert HOSTILE not in answer.text


def test_blind_sheets_are_made_handed_in_and_compared(herd: Path, desk: Phone) -> None:
    for form, word in (
        ({"photo": SHA, "readers": " "}, "readers"),
        ({"photo": SHA, "readers": "Ada", "repeats": "2"}, "repeats is '2'"),
        ({"readers": "Ada"}, "no photo"),
    ):
        answer = desk.client.post("/office/blind", data={"csrf": desk.csrf, **form})
        assert answer.status_code == 422
        assert word in words(answer.text)
    readers = f"Ada\n{HOSTILE}"
    address = send(desk, "/office/blind", photo=SHA, readers=readers, repeats="1")
    page = desk.client.get(address)
    assert HOSTILE not in page.text
    assert "J342" not in page.text
    files = [link for link in Parts(page.text).links if link.endswith(".csv")]
    assert len(files) == 2
    assert desk.client.get(f"{address}/key/key.json").status_code == 404
    at = address.replace("/tasks/", "/blind/")
    refused = desk.client.post(f"{at}/score", data={"csrf": desk.csrf})
    assert "no sheet came back" in words(refused.text)
    refused = desk.client.post(f"{at}/sheet", data={"csrf": desk.csrf, "text": HOSTILE})
    assert refused.status_code == 422
    assert HOSTILE not in refused.text
    folder = herd.with_suffix(".web") / "office" / at.rsplit("/", 1)[1]
    assert list((folder / "received").iterdir()) == []
    for file, mark in zip(files, ("J342", "J34?"), strict=True):
        rows = list(csv.DictReader(io.StringIO(file_of(desk, file).decode())))
        text = io.StringIO()
        writer = csv.DictWriter(text, rows[0].keys())
        writer.writeheader()
        writer.writerows({**row, "reading": mark, "legibility": "3"} for row in rows)
        many = {"csrf": desk.csrf, "file": (io.BytesIO(text.getvalue().encode()), "my.csv")}
        answer = desk.client.post(f"{at}/sheet", data=many, content_type="multipart/form-data")
        assert answer.status_code == 303, words(answer.text)
    shown = words(desk.client.get(send(desk, f"{at}/score")).text)
    told = call(
        "blind", "score", *sorted((folder / "received").iterdir()),
        "--key", folder / "key" / "key.json",
    )  # fmt: skip
    # The last lines name the time at which the key was opened.
    told = told.replace(f"{PHOTO.parent}/", "")
    assert joined(told.split("Order of what was seen")[0]) in shown
    assert str(PHOTO.parent) not in shown
    assert [what for what, _ in work_of(herd)[-2:]] == ["blind make", "blind score"]
    second = send(desk, f"{at}/claims", a="J342", b="J347")
    page = desk.client.get(second)
    assert page.status_code == 200, words(page.text)
    sheet = next(link for link in Parts(page.text).links if link.endswith(".html"))
    opened = desk.client.get(sheet)
    assert "J347" in opened.text
    opened.close()


def test_marks_of_all_photos_are_shown_at_one_scale(herd: Path) -> None:
    """Expected height: rows x character height and a margin on both sides, by hand."""
    with open_herd(herd, read_only=True) as db:
        result = whole_reading(db, readings_of(db, SHA)[-1].reading_id)
    best = result.reading.hypotheses[0]
    pixels = load_photo(PHOTO).pixels
    heights = []
    for step in (1, 2, 3):
        small = pixels[::step, ::step]
        rows = tuple(
            tuple(replace(cell, quad=cell.quad / step) for cell in row) for row in best.rows
        )
        shown = upright_mark(small, replace(best, rows=rows), height_px=BESIDE_PX, enlarged=np.inf)
        heights.append(shown.shape[0])
    assert max(heights) - min(heights) <= 2
    assert heights[0] >= BESIDE_PX * (1 + 2 * MARGIN) - 2

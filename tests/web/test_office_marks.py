"""New marks, punched cards, dies and calibration in the office.

Sources: what the commands print for the same questions; RFC 4180 for CSV; OWASP ASVS 4.0 5.3
(output encoding) and 12.1 (size of files), from memory. Herd and cards are invented.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from werkzeug.datastructures import FileStorage, MultiDict
from werkzeug.test import stream_encode_multipart

from legibility.read.learned_dies import load_dies
from legibility.settings import Settings
from legibility.store.database import create_herd, open_herd
from legibility.store.importing import RegistryRow, Source, import_registry
from legibility.store.marks import all_marks
from legibility.store.records import AnimalRow, MarkRow
from legibility.web.config import ServerConfig
from legibility.web.state import open_server
from legibility.workers import InlineExecutor
from tests.evaluate.test_record_truth import MARKS, add, chip, result
from tests.herd_records import fading_herd
from tests.pipeline.test_proof_file import card

from .conftest import Phone
from .hostile_files import hostile_files
from .test_office import HOSTILE, Parts, call, joined, words

RULES = 'characters = "ABCDEFGHKLMNPRST0123456789"\n[[forms]]\nrows = ["@#{3}"]\n'
ASKED = "count=6&condition=worn&patterns=%40%23%7B3%7D&characters=ABCDEFGHKLMNPRST0123456789"
HOSTILE_FILE = "../<img src=x onerror=alert(1)>.jpg"


@pytest.fixture
def herd(tmp_path: Path) -> Path:
    path = tmp_path / "herd.db"
    fading_herd(path, animals=12).close()
    return path


@pytest.fixture
def open_desk(herd: Path, pair: Callable[..., Phone]) -> Callable[..., Phone]:
    def opened(**options: object) -> Phone:
        config = ServerConfig(
            herd=herd, host_names=("localhost",), settings=Settings(second_reader=False), **options
        )
        return pair(open_server(config, open_pool=InlineExecutor))

    return opened


def file_of(desk: Phone, page: str, name: str) -> bytes:
    """One of the files that a result lists."""
    (address,) = re.findall(rf'href="(/office/tasks/[0-9a-f]+/{re.escape(name)})"', page)
    with desk.client.get(address) as answer:
        assert answer.status_code == 200
        return answer.data


def send_card(desk: Phone, data: bytes, mark: str, name: str = "card.jpg", **more: str):
    photo = FileStorage(io.BytesIO(data), filename=name)
    fields = MultiDict({"csrf": desk.csrf, "mark": mark, "photo": photo, **more})
    stream, _, boundary = stream_encode_multipart(fields, use_tempfile=False)
    kind = f"multipart/form-data; boundary={boundary}"
    return desk.client.post("/office/cards", data=stream.read(), content_type=kind)


def shown(desk: Phone, answer) -> str:
    assert answer.status_code == 303, words(answer.text)
    return desk.client.get(answer.headers["Location"]).text


def test_new_marks_are_those_of_the_command(herd: Path, open_desk, tmp_path: Path) -> None:
    desk = open_desk()
    page = desk.client.get(f"/office/new-marks?{ASKED}").text
    rows = list(csv.DictReader(io.StringIO(file_of(desk, page, "new-marks.csv").decode())))
    rules, registry, out = tmp_path / "r.toml", tmp_path / "registry.csv", tmp_path / "out.csv"
    rules.write_text(RULES)
    with open_herd(herd, read_only=True) as db:
        lines = [f"{m.animal_id},{m.text}" for m in all_marks(db)]
    registry.write_text("\n".join(["animal_id,mark", *lines]))
    call("assign", registry, "--count", "6", "--rules", rules, "--csv", out)
    assert rows == list(csv.DictReader(io.StringIO(out.read_text())))
    assert len(rows) == 6
    for row in rows:
        assert row["mark"] in words(page)
    assert Parts(page).inline == []
    assert file_of(desk, page, "new-marks.html").startswith(b"<!DOCTYPE html>")


def test_rules_of_the_herd_are_used_when_they_are_wanted(open_desk, tmp_path: Path) -> None:
    rules = tmp_path / "rules.toml"
    rules.write_text('characters = "XYZ12345"\n[[forms]]\nrows = ["@#{4}"]\n')
    desk = open_desk(rules=rules)
    page = desk.client.get("/office/new-marks?count=2&condition=mild&herd=yes").text
    made = csv.DictReader(io.StringIO(file_of(desk, page, "new-marks.csv").decode()))
    assert all(re.fullmatch("[XYZ][12345]{4}", row["mark"]) for row in made)
    own = desk.client.get(f"/office/new-marks?{ASKED}").text
    made = csv.DictReader(io.StringIO(file_of(desk, own, "new-marks.csv").decode()))
    assert all(re.fullmatch("[A-T][0-9]{3}", row["mark"]) for row in made)


def test_without_rules_new_marks_look_like_the_registered_ones(open_desk) -> None:
    desk = open_desk()
    page = desk.client.get("/office/new-marks?count=2&condition=new").text
    assert "forms learned from" in words(page)
    made = list(csv.DictReader(io.StringIO(file_of(desk, page, "new-marks.csv").decode())))
    assert len(made) == 2


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ("count=1e400", "count is '1e400'; expected a whole number from 1 to 2000"),
        ("count=9999999999", "expected a whole number from 1 to 2000"),
        ("count=%3Cscript%3E", "count is '<script>'"),
        ("condition=worn&patterns=%40", "say how many marks are wanted"),
        ("count=2&condition=worn&prefix=A", "say what marks look like"),
        ("count=2&condition=shiny&patterns=%40", "condition is 'shiny'"),
        ("count=2&condition=worn&patterns=%40&bound=1", "bound is 1"),
        ("count=2&condition=worn&patterns=%3Cimg+src%3Dx%3E", "cannot be understood"),
        ("count=2&condition=worn&patterns=" + "%40%0A" * 21, "21 lines; expected at most 20"),
        ("count=2&condition=worn&patterns=%40&characters=%3CB%3E", "characters"),
        ("count=2&condition=worn&longest_row=99", "longest_row is '99'"),
        ("count=2&condition=worn&profile=%3Cb%3E", "profile is '<b>'"),
        ("count=500&condition=worn&patterns=%40", "the rules allows 26 in all"),
        ("count=26&condition=lost&patterns=%40", "raise the bound"),
    ],
)
def test_what_cannot_be_asked_of_new_marks_is_said_in_words(
    open_desk, asked: str, said: str
) -> None:
    answer = open_desk().client.get(f"/office/new-marks?{asked}")
    assert answer.status_code == 422
    assert said in words(answer.text)
    assert "<script>" not in answer.text
    assert "<img" not in answer.text
    assert 'id="count"' in answer.text


def test_a_card_is_compared_and_a_right_one_teaches_its_dies(
    herd: Path, open_desk, tmp_path: Path
) -> None:
    desk = open_desk()
    assert "No die is known yet" in desk.client.get("/office/dies").text
    assert desk.client.get("/office/dies.toml").status_code == 404
    photo = card(tmp_path / "card.jpg", "K417")
    page = shown(desk, send_card(desk, photo.read_bytes(), " k417 ", HOSTILE_FILE, learn="yes"))
    assert "A punched card: right" in words(page)
    assert "the card shows the mark that is meant" in words(page).lower()
    assert "veterinarian" in words(page)
    assert "--learn" not in page
    assert Parts(page).inline == []
    assert "<img src=x" not in page
    told = json.loads(call("proof", photo, "--mark", "K417", "--json", "-"))
    kept = json.loads(file_of(desk, page, "proof.json"))
    for name in ("sha256", "mark", "verdict", "found", "sentence", "probability", "dies"):
        assert kept[name] == told[name], name
    assert file_of(desk, page, "card.jpeg") == photo.read_bytes()
    dies = load_dies(herd.with_suffix(".web") / "dies.toml")
    assert sorted(dies.characters) == sorted("147K")
    listed = desk.client.get("/office/dies").text
    assert listed.count("<svg") == 4
    assert listed.count("<circle") == sum(len(die.needles) for die in dies.dies)
    assert "K" not in re.findall(r'class="characters">([^<]*)<', listed)[0]
    with desk.client.get("/office/dies.toml") as answer:
        assert answer.data == (herd.with_suffix(".web") / "dies.toml").read_bytes()
    form = desk.client.get("/office/cards").text
    assert "Known of 4 characters:" in words(form)
    assert "K417 right" in words(form)
    needles = desk.client.get(f"/office/new-marks?{ASKED}&dies=yes")
    assert needles.status_code == 200


@pytest.mark.parametrize(
    ("meant", "verdict"),
    [
        ("K4X7", "a wrong die"),
        ("K147", "dies swapped"),
        ("K41", "another number of dies or rows than meant"),
    ],
)
def test_each_answer_about_a_card_has_its_words(
    open_desk, tmp_path: Path, meant: str, verdict: str
) -> None:
    desk = open_desk()
    photo = card(tmp_path / "card.jpg", "K417").read_bytes()
    page = shown(desk, send_card(desk, photo, meant))
    assert f"A punched card: {verdict}" in words(page)
    assert "No die is known yet" in desk.client.get("/office/dies").text


def test_a_card_that_breaks_the_rules_or_is_no_mark_is_refused_before_it_is_kept(
    herd: Path, open_desk
) -> None:
    rules = herd.with_name("rules.toml")
    rules.write_text('[[forms]]\nrows = ["@#{3}"]\n')
    desk = open_desk(rules=rules)
    photo = (Path(__file__).parents[2] / "sample_images" / "as-new.jpg").read_bytes()
    for mark in (HOSTILE, "", "K" * 60, "A//B", "4417"):
        answer = send_card(desk, photo, mark)
        assert answer.status_code == 422
        assert 'role="alert"' in answer.text
        assert "<script>" not in answer.text
    assert list((herd.with_suffix(".web") / "office").iterdir()) == []
    # An ear is no card.
    page = desk.client.get(send_card(desk, photo, "K417").headers["Location"])
    assert page.status_code == 422
    assert str(herd.parent) not in page.text
    assert list(herd.with_suffix(".web").glob(".card-*")) == []


def test_wrong_files_for_a_card_are_refused_in_words(open_desk) -> None:
    desk = open_desk()
    for name, data in hostile_files(22, seed=3):
        answer = send_card(desk, data, "K417", name)
        if answer.status_code == 303:
            answer = desk.client.get(answer.headers["Location"])
        assert answer.status_code in (400, 413, 415, 422), name
        assert "<script" not in answer.text
        assert "Traceback" not in answer.text
    asked = {"csrf": desk.csrf, "mark": "K417"}
    answer = desk.client.post("/office/cards", data=asked)
    assert "no photo was chosen" in words(answer.text)


def test_a_card_above_the_limit_is_refused(herd: Path, pair) -> None:
    config = ServerConfig(
        herd=herd, host_names=("localhost",), settings=Settings(max_file_mib=0.0625)
    )
    desk = pair(open_server(config, open_pool=InlineExecutor))
    answer = send_card(desk, b"\xff\xd8\xff" + b"x" * 80_000, "K417")
    assert answer.status_code == 413
    assert "the limit is 0.0625 MiB" in words(answer.text)
    answer = send_card(desk, b"\xff\xd8\xff" + b"x" * 400_000, "K417")
    assert answer.status_code == 413
    assert "the limit for a photo is 0.0625 MiB" in words(answer.text)


def test_calibration_is_refused_below_the_stated_number(herd: Path, open_desk) -> None:
    desk = open_desk()
    form = desk.client.get("/office/calibration").text
    assert "At least 50 such photos" in words(form)
    answer = desk.client.post("/office/calibration", data={"csrf": desk.csrf})
    page = desk.client.get(answer.headers["Location"])
    assert page.status_code == 422
    assert "herd.db: no photo of it can be used whose animal a" in words(page.text)
    assert str(herd) not in page.text


def test_calibration_shows_the_figures_of_the_command(pair, tmp_path: Path) -> None:
    path = tmp_path / "goats.db"
    rows = [
        RegistryRow(AnimalRow(f"goat {i}"), MarkRow(f"goat {i}", mark, ear="left"), chip(i))
        for i, mark in enumerate(MARKS)
    ]
    with create_herd(path) as db:
        import_registry(db, rows, source=Source("r", "0" * 64))
        for number in range(49):
            add(db, result(number), number)
    config = ServerConfig(herd=path, host_names=("localhost",))
    desk = pair(open_server(config, open_pool=InlineExecutor))
    answer = desk.client.post("/office/calibration", data={"csrf": desk.csrf})
    refused = desk.client.get(answer.headers["Location"])
    assert refused.status_code == 422
    assert "49" in words(refused.text)
    assert "50" in words(refused.text)
    assert str(path) not in refused.text
    with open_herd(path) as db:
        for number in range(49, 60):
            add(db, result(number), number)
    answer = desk.client.post("/office/calibration", data={"csrf": desk.csrf})
    page = desk.client.get(answer.headers["Location"]).text
    out, counts = tmp_path / "calibration.json", tmp_path / "counts.csv"
    printed = call("calibrate", "--from", path, "--out", out, "--counts", counts)
    for line in printed.splitlines():
        if line.strip() and line not in (str(out), str(counts)):
            assert joined(line) in words(page), line
    assert file_of(desk, page, "counts.csv") == counts.read_bytes()
    kept = json.loads(file_of(desk, page, "calibration.json"))
    assert kept == json.loads(out.read_text())
    assert "Done before" in desk.client.get("/office/calibration").text

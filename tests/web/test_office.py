"""The office's pages: all answer, say what the commands say, and lead somewhere.

Sources: OWASP ASVS 4.0 chapters 4.2.2 (CSRF), 5.3 (output encoding), 12.3 (paths), from memory;
WCAG 2.2 success criteria 1.3.1, 2.4.1, 2.4.2, 3.1.1 for headings, skip link, title, language.
"""

from __future__ import annotations

import csv
import json
import re
from collections import Counter
from collections.abc import Callable
from concurrent.futures import Executor, Future
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import quote, urljoin, urlsplit

import pytest
from click.testing import CliRunner
from PIL import Image

from legibility.cli import cli
from legibility.probability import percent
from legibility.settings import Settings
from legibility.store.animals import all_animals, put_animal
from legibility.store.database import create_herd, open_herd
from legibility.store.decisions import add_decision, open_case
from legibility.store.events import append_event
from legibility.store.handling_events import add_handling_event
from legibility.store.human_readings import add_human_reading
from legibility.store.marks import all_marks, put_mark
from legibility.store.photo_folder import digest_of
from legibility.store.records import (
    AnimalRow,
    CaseRow,
    DecisionRow,
    HandlingEvent,
    HumanReading,
    MarkRow,
    ScanRow,
)
from legibility.store.scans import add_scan
from legibility.web import office_tasks
from legibility.web.config import ServerConfig
from legibility.web.office_tasks import OfficeTasks, Task
from legibility.web.office_work import run_task
from legibility.web.state import open_server
from legibility.workers import InlineExecutor
from tests.example_steps import example_pixels
from tests.herd_records import TODAY, add_photo, fading_herd, reading

from .conftest import Phone

HOSTILE = "\"'><img src=x onerror=alert(1)><script>alert(2)</script>"
PAGES = (
    "/office/",
    "/office/worklist?limit=40",
    "/office/plan",
    "/office/plan?minutes=60&hands=2&transponders=2&sedations=1",
    "/office/registry",
    "/office/animals",
    "/office/animals?group=judged",
    "/office/animals?group=age-2",
    f"/office/animal?id={quote(HOSTILE)}",
    "/office/animal?id=Ewe+003",
    "/office/risk",
    "/office/risk?years=0+5+10&grades=4+3+1.5&year=2026",
    "/office/retention",
    "/office/chain",
    "/office/cases",
    "/office/case?number=1",
    f"/office/claims?a=Ewe+003&b={quote(HOSTILE)}",
    "/office/blind",
    "/office/photos",
    "/office/photos?unnamed=yes",
    "/office/new-marks",
    "/office/new-marks?count=3&condition=worn&patterns=%40%23%7B3%7D",
    "/office/cards",
    "/office/dies",
    "/office/calibration",
    "/office/list/scans",
    "/office/list/people",
    "/office/list/confirmed",
    "/office/list/decisions",
    "/office/list/entries",
    "/office/corrections",
    "/office/corrections?done=2",
    "/office/reading?number=1",
    "/office/scan?number=1",
)


class Parts(HTMLParser):
    """Links, headings, labels and what has no place on a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.links: list[str] = []
        self.headings: list[int] = []
        self.fields: set[str] = set()
        self.labelled: set[str] = set()
        self.inline: list[str] = []
        self.depth = 0
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attrs}
        self.links += [found[name] for name in ("href", "src") if name in found]
        self.inline += [name for name in found if name.startswith("on") or name == "style"]
        if tag == "script" or tag == "style":
            self.inline.append(tag)
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        self.depth += tag == "label"
        if tag == "label" and "for" in found:
            self.labelled.add(found["for"])
        named = tag in ("input", "select", "textarea") and found.get("type") != "hidden"
        if named and not self.depth:
            self.fields.add(found.get("id", "without an id"))

    def handle_endtag(self, tag: str) -> None:
        self.depth -= tag == "label"


@pytest.fixture(scope="module")
def herd(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fading herd in which everything that people type is hostile once."""
    folder = tmp_path_factory.mktemp("office")
    path, photo = folder / "herd.db", folder / "<b>ear.png"
    Image.fromarray(example_pixels()).save(photo)
    with fading_herd(path, animals=24) as db, db.transaction():
        put_animal(db, AnimalRow(HOSTILE, status=HOSTILE, skin=HOSTILE, note=HOSTILE, sex=HOSTILE))
        hostile = {"operator": HOSTILE, "ink": HOSTILE, "written": HOSTILE}
        put_mark(db, MarkRow(HOSTILE, "K109", ear="left", **hostile))
        found = replace(reading("ear.png", "Ewe 003", grade=1.5), sha256=digest_of(photo))
        add_photo(db, found, HOSTILE, TODAY)
        db.write("UPDATE photos SET path = ? WHERE sha256 = ?", (str(photo), found.sha256))
        add_scan(db, ScanRow("276000000000003", animal_id=HOSTILE, reader=HOSTILE, note=HOSTILE))
        add_human_reading(db, HumanReading(HOSTILE, "2025-05-01", HOSTILE, animal_id=HOSTILE,
                                           usable=True, grade=2.0, note=HOSTILE))  # fmt: skip
        add_handling_event(
            db, HandlingEvent("2025-05-01", "note", HOSTILE, HOSTILE, text=HOSTILE, note=HOSTILE)
        )
        detail = {"animals": [HOSTILE, "Ewe 003"], "photo_sha256": found.sha256}
        open_case(db, CaseRow("k1", HOSTILE, HOSTILE, detail))
        open_case(db, CaseRow("k2", "kind", "a second one", {"animals": ["Ewe 001", "Ewe 002"]}))
        add_decision(db, DecisionRow("2025-05-02", HOSTILE, HOSTILE, HOSTILE, animal_id=HOSTILE))
        append_event(db, what="test", who=HOSTILE)
    return path


@pytest.fixture
def desk(herd: Path, pair: Callable[..., Phone]) -> Phone:
    """A paired browser at the office."""
    return open_desk(herd, pair)


def open_desk(
    herd: Path, pair: Callable[..., Phone], pool: Callable[[], Executor] = InlineExecutor
) -> Phone:
    config = ServerConfig(
        herd=herd, host_names=("localhost",), settings=Settings(second_reader=False)
    )
    return pair(open_server(config, open_pool=pool))


def call(*arguments: str | Path) -> str:
    """What a command prints."""
    done = CliRunner().invoke(cli, [str(argument) for argument in arguments])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.stdout


def words(text: str) -> str:
    """A page without its tags, spaces joined."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", text)).split())


def joined(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("address", PAGES)
def test_pages_answer_and_are_well_made(desk: Phone, address: str) -> None:
    answer = desk.client.get(address)
    assert answer.status_code == 200
    assert "unsafe" not in answer.headers["Content-Security-Policy"]
    found = Parts(answer.text)
    assert found.inline == []
    assert found.headings.count(1) == 1
    assert all(b <= a + 1 for a, b in zip(found.headings, found.headings[1:], strict=False))
    assert found.fields <= found.labelled
    assert 'class="skip" href="#content"' in answer.text
    assert 'id="content"' in answer.text
    assert '<html lang="en">' in answer.text
    assert not re.search(r"<th(?![^>]*scope=)[ >]", answer.text)
    assert "<img src=x" not in answer.text
    assert not re.search(r"""(?:src|href)=["']?(?:https?:|javascript:)""", answer.text)


def test_every_link_leads_somewhere(desk: Phone) -> None:
    waiting, seen, parts = ["/office/"], set(), {}
    many: Counter[str] = Counter()
    while waiting:
        address = waiting.pop()
        kind = address.split("?")[0]
        kind = "picture" if "/picture/" in kind else kind
        # A hundred photos have the same page; animals are all looked at.
        if address in seen or many[kind] >= 40:
            continue
        many[kind] += 1
        seen.add(address)
        answer = desk.client.get(address)
        # A picture of a photo whose file is gone is refused in words.
        good = {200, 422} if "/office/picture/" in address else {200}
        assert answer.status_code in good, address
        if answer.mimetype == "text/html" and address.startswith("/office"):
            parts[address] = Parts(answer.text)
            for link in parts[address].links:
                split = urlsplit(urljoin("http://localhost" + address, link))
                assert split.netloc in ("localhost", ""), link
                if split.scheme == "data":
                    continue
                waiting.append(split.path + (f"?{split.query}" if split.query else ""))
        answer.close()
    assert f"/office/animal?id={quote(HOSTILE, safe='')}".replace("%20", "+") in seen
    assert {urlsplit(address).path for address in parts} >= {
        urlsplit(address).path for address in PAGES
    }
    for address in seen:
        path, _, place = address.partition("#")
        assert not place or f'id="{place}"' in desk.client.get(path).text


def test_nobody_without_a_token_or_with_a_wrong_csrf_token(herd: Path, desk: Phone) -> None:
    app = desk.client.application
    sha = digest_of(herd.parent / "<b>ear.png")
    picture = f"/office/picture/{sha}/photo-0.jpg"
    shown = desk.client.get(picture)
    assert shown.status_code == 200
    assert shown.data[:2] == b"\xff\xd8"
    stranger = app.test_client()
    for address in (*PAGES, picture):
        answer = stranger.get(address)
        assert answer.status_code == 303
        assert answer.headers["Location"] == "/pair"
    rules = [r for r in app.url_map.iter_rules() if r.rule.startswith("/office")]
    kind = "multipart/form-data"
    posts = [r.rule for r in rules if "POST" in (r.methods or ())]
    assert len(posts) >= 8
    for rule in posts:
        address = re.sub(r"<[^>]+>", "a" * 32, rule)
        for data in ({}, {"csrf": "0" * 64}):
            assert desk.client.post(address, data=data).status_code == 403
            large = {**data, "text": "x" * 300_000}
            assert desk.client.post(address, data=large, content_type=kind).status_code == 413
    many = {"csrf": "0" * 64, "text": "x"}
    address = f"/office/blind/{'a' * 32}/sheet"
    assert desk.client.post(address, data=many, content_type=kind).status_code == 403


def test_worklist_says_what_the_command_says(herd: Path, desk: Phone) -> None:
    found = json.loads(call("worklist", herd, "--limit", "12", "--json", "-"))
    shown = words(desk.client.get("/office/worklist?limit=12").text)
    at = 0
    for item in found["items"]:
        line = f"{item['animal_id']} {item['mark']}"
        at = shown.index(joined(line), at)
        assert joined(item["reason"]) in shown[at:]
        assert f"{item['loss']:.3g}" in shown[at:]
    by_name = desk.client.get("/office/worklist?limit=40&order=animal").text
    names = re.findall(r'<td><a href="[^"]+">(Ewe \d+)</a>', by_name)
    assert names == sorted(names)
    assert len(names) > 5
    one = desk.client.get("/office/worklist?limit=40&act=transponder").text
    acts = set(re.findall(r"<td><strong>([^<]+)</strong>", one)) - {"overdue"}
    assert acts == {"Transponder."}


def test_plan_says_what_the_command_says_and_names_bad_numbers(herd: Path, desk: Phone) -> None:
    asked = ["--minutes", "45", "--transponders", "2", "--must", "Ewe 003", "--json", "-"]
    found = json.loads(call("plan", herd, *asked))
    page = desk.client.get("/office/plan?minutes=45&transponders=2&must=Ewe+003").text
    shown = words(page)
    for act in found["acts"]:
        assert joined(f"{act['item']['animal_id']} {act['item']['mark']} {act['what']}") in shown
        assert joined(act["item"]["reason"]) in shown
    assert page.count('id="sheet-') == len(found["acts"]) > 2
    for query, word in (
        ("minutes=soon", "minutes is 'soon'"),
        ("minutes=", "how long"),
        ("minutes=60&hands=1.5", "hands is '1.5'"),
        ("minutes=60&transponders=-1", "transponders is '-1'"),
        ("minutes=nan", "minutes is 'nan'"),
        ("minutes=60&must=Nobody", "'Nobody' is no animal"),
        ("minutes=1&must=Ewe+003", "must be done"),
    ):
        answer = desk.client.get(f"/office/plan?{query}")
        assert answer.status_code == 422, query
        assert word in words(answer.text), query
        assert 'role="alert"' in answer.text
        assert 'name="minutes"' in answer.text


def test_counts_of_the_retention_report_lead_to_the_animals_behind_them(
    herd: Path, desk: Phone
) -> None:
    found = json.loads(call("retention", herd, "--json", "-"))
    page = desk.client.get("/office/retention").text
    for key in ("judged", "usable"):
        count = found[key]["count"]
        assert f'group={key}">{count} of {found[key]["total"]}' in page
        rows = desk.client.get(f"/office/animals?group={key}").text
        assert rows.count('<th scope="row">') == count > 0
    for age, share in found["usable_by_age"]:
        rows = words(desk.client.get(f"/office/animals?group=age-{age}").text)
        assert rows.count("at that age") == share["total"]
        assert rows.count("usable at that age") == share["count"]


def test_risk_by_age_and_own_readings_are_those_of_the_command(
    herd: Path, desk: Phone, tmp_path: Path
) -> None:
    table, model = tmp_path / "registry.csv", tmp_path / "ages.toml"
    with open_herd(herd, read_only=True) as db, table.open("w", newline="") as file:
        born = {a.animal_id: a.birth_date[:4] or a.birth_year or "" for a in all_animals(db)}
        rows = [(m.animal_id, m.text, born[m.animal_id]) for m in all_marks(db)]
        csv.writer(file).writerows([("animal_id", "mark", "birth_year"), *rows])
    assert any(year for _, _, year in rows)
    model.write_text("years = [0, 10]\ngrades = [4, 1]\n")
    told = call("risk", table, "--age-model", model, "--year", "2026", "--json", "-").splitlines()
    right = [json.loads(line)["right"] for line in told]
    page = words(desk.client.get("/office/risk?years=0+10&grades=4,0+1&year=2026").text)
    assert "by age in 2026" in page
    assert percent(sum(right) / len(right)) + " right" in page
    refused = desk.client.get("/office/risk?years=0+10&grades=4")
    assert refused.status_code == 422
    assert "grades by age: 2 years and 1 grades" in words(refused.text)
    assert desk.client.get("/office/risk?years=0+x&grades=4").status_code == 422
    # Nothing in this record was confirmed by a transponder.
    assert "holds no readings confirmed" in words(desk.client.get("/office/risk?own=yes").text)


def test_history_risk_and_chain_say_what_the_commands_say(
    herd: Path, desk: Phone, tmp_path: Path
) -> None:
    found = json.loads(call("herd", "history", herd, "Ewe 003", "--json", "-"))
    page = desk.client.get("/office/animal?id=Ewe+003").text
    shown = words(page)
    for sighting in found["sightings"]:
        assert f"{sighting['day']} {sighting['by']}" in shown
    assert "<polyline" in page
    table = tmp_path / "registry.csv"
    with open_herd(herd, read_only=True) as db, table.open("w", newline="") as file:
        marks = [(mark.animal_id, mark.text) for mark in all_marks(db)]
        csv.writer(file).writerows([("animal_id", "mark"), *marks])
    told = [json.loads(line) for line in call("risk", table, "--json", "-").splitlines()]
    worst = max(told, key=lambda each: each["risk"])
    page = words(desk.client.get("/office/risk").text)
    assert joined(f"{worst['mark']} {worst['animal_id']}") in page
    assert worst["rivals"][0]["mechanism"] in page
    assert percent(sum(each["right"] for each in told) / len(told)) + " right" in page
    said = joined(call("verify", herd))
    assert said in words(desk.client.get("/office/chain").text)
    head = call("verify", herd, "--print-head").strip()
    assert "those of the noted head" in words(
        desk.client.get(f"/office/chain?anchor={quote(head)}").text
    )
    wrong = desk.client.get(f"/office/chain?anchor={quote(HOSTILE)}")
    assert wrong.status_code == 422
    assert "expected one" in words(wrong.text)
    assert "<script>" not in wrong.text


@pytest.mark.parametrize(
    ("address", "status"),
    [
        ("/office/animal?id=Nobody", 422),
        ("/office/animals?group=none", 422),
        ("/office/animals?skip=x", 422),
        ("/office/worklist?order=;drop", 422),
        ("/office/risk?condition=<b>", 422),
        ("/office/photo?sha256=../../etc/passwd", 404),
        (f"/office/photo?sha256={'0' * 64}", 404),
        ("/office/picture/../../herd.db/photo-0.jpg", 404),
        (f"/office/picture/{'0' * 64}/photo-0.jpg", 404),
        (f"/office/picture/{'0' * 64}/photo-9e9.jpg", 404),
        ("/office/tasks/..%2f..", 404),
        (f"/office/tasks/{'a' * 32}", 404),
        ("/office/look/dossier.html.css", 404),
        ("/office/case?number=99", 404),
        ("/office/list/devices", 404),
    ],
)
def test_what_is_not_there_is_said_in_words(desk: Phone, address: str, status: int) -> None:
    answer = desk.client.get(address)
    assert answer.status_code == status
    assert "<h1>" in answer.text
    assert "<b>" not in answer.text.replace("<b>ear", "")


def test_files_of_a_result_are_those_it_lists(desk: Phone) -> None:
    page = desk.client.get("/office/worklist?limit=5").text
    listed = [unescape(link) for link in Parts(page).links if "/office/tasks/" in link]
    assert len(listed) == 3
    opened = desk.client.get(listed[1])
    assert "sandbox" in opened.headers["Content-Security-Policy"]
    assert "script-src" not in opened.headers["Content-Security-Policy"]
    saved = desk.client.get(listed[2])
    assert saved.headers["Content-Disposition"].startswith("attachment")
    folder = listed[0].rsplit("/", 1)[0]
    for name in ("asked.json", "body.html", "../devices.json", "%2e%2e/devices.json"):
        assert desk.client.get(f"{folder}/{name}").status_code == 404
    for answer in (opened, saved):
        answer.close()


def test_a_decision_closes_a_case_and_contradictions_are_looked_for(desk: Phone) -> None:
    asked = {"csrf": desk.csrf, "number": "2", "what": "", "who": "Ada"}
    assert desk.client.post("/office/case/decide", data=asked).status_code == 422
    asked |= {"what": HOSTILE, "reason": "papers"}
    assert desk.client.post("/office/case/decide", data=asked).status_code == 303
    page = desk.client.get("/office/case?number=2")
    assert "closed" in words(page.text)
    assert HOSTILE not in page.text
    answer = desk.client.post("/office/cases/look", data={"csrf": desk.csrf})
    assert answer.status_code == 303
    assert "open." in words(desk.client.get(answer.headers["Location"]).text)
    answer = desk.client.post("/backup", data={"csrf": desk.csrf, "back": "office"})
    assert "Copied to" in words(desk.client.get(answer.headers["Location"]).text)


class Slow(Executor):
    """Does nothing until it is told to."""

    def __init__(self) -> None:
        self.waiting: list[tuple[Future, Callable, tuple]] = []

    def submit(self, fn, /, *args, **kwargs) -> Future:
        future: Future = Future()
        self.waiting.append((future, fn, args))
        return future

    def work(self) -> None:
        for future, fn, args in self.waiting:
            future.set_result(fn(*args))


def test_a_long_computation_shows_a_page_that_looks_again(
    herd: Path, pair, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("legibility.web.office_parts.MOMENT_S", 0.01)
    pool = Slow()
    desk = open_desk(herd, pair, lambda: pool)
    address = "/office/worklist?limit=3"
    for _ in range(2):
        answer = desk.client.get(address)
        assert answer.status_code == 200
        assert "Being computed" in answer.text
        assert int(answer.headers["Refresh"]) > 0
        assert "seconds ago" in answer.text
        assert Parts(answer.text).inline == []
    assert len(pool.waiting) == 1
    assert "1 other is" in desk.client.get("/office/worklist?limit=4").text
    pool.work()
    answer = desk.client.get(address)
    assert "Refresh" not in answer.headers
    assert "Whom to look at first" in answer.text


def test_a_computation_that_ends_while_it_is_looked_for_has_not_stopped(
    herd: Path, pair, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("legibility.web.office_parts.MOMENT_S", 0.01)
    pool = Slow()
    desk = open_desk(herd, pair, lambda: pool)
    address = "/office/worklist?limit=6"
    assert "Being computed" in desk.client.get(address).text
    read_json = office_tasks.read_json
    worked: list[bool] = []

    def read_late(file: Path) -> dict[str, Any] | None:
        found = read_json(file)
        if file.name == office_tasks.DONE_FILE and not worked:
            worked.append(True)
            pool.work()
        return found

    monkeypatch.setattr(office_tasks, "read_json", read_late)
    assert "Whom to look at first" in desk.client.get(address).text
    assert len(pool.waiting) == 1


def test_tasks_survive_failures_and_restarts(tmp_path: Path) -> None:
    def run(task: Task) -> dict[str, str]:
        raise KeyError("secret path")

    def tasks(pool: Executor) -> OfficeTasks:
        return OfficeTasks(
            tmp_path / "office", herd=tmp_path / "h.db", settings=Settings(), run=run,
            open_pool=lambda: pool,
        )  # fmt: skip

    first = tasks(InlineExecutor())
    failed = first.find(first.start("compare", {"photos": []}, who="Ada"))
    assert failed is not None
    assert failed.state == "failed"
    assert "secret" not in failed.error
    slow = tasks(Slow())
    waiting = slow.page("risk", {"condition": "worn"}, stamp="1")
    assert waiting.state == "waiting"
    assert slow.page("risk", {"condition": "worn"}, stamp="1").task_id == waiting.task_id
    assert slow.page("risk", {"condition": "worn"}, stamp="2").task_id != waiting.task_id
    again = tasks(Slow())
    stopped = again.find(waiting.task_id)
    assert stopped is not None
    assert stopped.state == "stopped"
    assert again.page("risk", {"condition": "worn"}, stamp="1").state == "waiting"
    assert [task.kind for task in again.all()] == ["compare"]
    assert again.find("../x") is None


def test_pages_that_can_be_made_again_do_not_pile_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("legibility.web.office_tasks.KEPT", 3)
    tasks = OfficeTasks(
        tmp_path, herd=tmp_path, settings=Settings(), run=lambda task: {"title": task.kind},
        open_pool=InlineExecutor,
    )  # fmt: skip
    started = tasks.start("compare", {"photos": []}, who="Ada")
    made = [tasks.page("risk", {"condition": str(n)}, stamp="1").task_id for n in range(6)]
    left = {path.name for path in tmp_path.iterdir()}
    assert left == {started, *made[-3:]}


def test_work_is_done_in_a_process_of_its_own(herd: Path, tmp_path: Path) -> None:
    """Processes are started afresh, so that all a task needs has to travel to it."""
    tasks = OfficeTasks(tmp_path, herd=herd, settings=Settings(), run=run_task)
    task_id = tasks.start("verify", {"anchor": ""}, who="Ada")
    assert tasks.folder_of(task_id).exists()
    tasks.wait(task_id, 60)
    found = tasks.find(task_id)
    tasks.close()
    assert found is not None
    assert (found.state, found.error) == ("done", "")
    assert "entries and" in (tasks.folder_of(task_id) / "body.html").read_text("utf-8")


def test_the_herds_own_figures_are_used(herd: Path, pair, tmp_path: Path) -> None:
    costs = tmp_path / "costs.toml"
    costs.write_text("cost = 77\nusable_grade = 3.5\n[costs]\n")
    told = json.loads(call("worklist", herd, "--costs", costs, "--json", "-"))
    config = ServerConfig(herd=herd, host_names=("localhost",), costs=costs)
    desk = pair(open_server(config, open_pool=InlineExecutor))
    page = words(desk.client.get("/office/worklist").text)
    assert joined(told["items"][0]["reason"]) in page
    assert " 77 " in page
    assert "below 3.5 the mark" in words(desk.client.get(photo_of(herd)).text)


def photo_of(herd: Path) -> str:
    return f"/office/photo?sha256={digest_of(herd.parent / '<b>ear.png')}"


def test_a_broken_pool_is_opened_again(tmp_path: Path) -> None:
    from concurrent.futures.process import BrokenProcessPool

    class Broken(Executor):
        def submit(self, fn, /, *args, **kwargs) -> Future:
            raise BrokenProcessPool

    pools: list[Executor] = [InlineExecutor(), Broken()]
    tasks = OfficeTasks(
        tmp_path, herd=tmp_path, settings=Settings(), run=lambda task: {"title": task.kind},
        open_pool=lambda: pools.pop(),
    )  # fmt: skip
    found = tasks.find(tasks.start("verify", {}, who=""))
    assert found is not None
    assert found.said == {"title": "verify"}


def test_an_animal_says_how_its_mark_was_written_and_stands(
    tmp_path: Path, pair: Callable[..., Phone]
) -> None:
    herd = tmp_path / "herd.db"
    with create_herd(herd) as db, db.transaction():
        put_animal(db, AnimalRow("goat 1"))
        put_mark(db, MarkRow("goat 1", "HD782", ear="left", written="HD-782"))
        for name in ("a.jpg", "b.jpg"):
            add_photo(db, replace(reading(name, "goat 1"), text="HD/782"), "goat 1", TODAY)
        append_event(db, what="test")
    page = open_desk(herd, pair).client.get("/office/animal?id=goat+1").text
    said = "HD782 , written HD-782 , left ear, stands in the ear as HD over 782, read on 2 photos."
    assert said in words(page)
    assert "as HD over 782, read on 2 photos" in joined(call("herd", "history", herd, "goat 1"))

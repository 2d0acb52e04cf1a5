"""Who may ask, what is taken in, and what survives.

Sources: OWASP ASVS 4.0 chapters 3 (sessions), 4.2.2 (CSRF), 12 (files),
14.4 (headers), from memory.
"""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
from PIL import Image, ImageFilter

from legibility.photo.load import load_photo
from legibility.pipeline.chute import ChutePhoto, write_check
from legibility.web.app import create_app
from legibility.web.devices import Devices
from legibility.web.ratelimit import RateLimit

from .arranged import HOSTILE
from .conftest import PHOTO, VISIT

JPEG = (Path(__file__).parents[2] / "sample_images" / "as-new.jpg").read_bytes()
ADDRESS = f"/api/visits/{VISIT}/photos/{PHOTO}"


def test_nothing_without_a_token(serve) -> None:
    app = create_app(serve())
    client = app.test_client()
    for rule in app.url_map.iter_rules():
        if rule.endpoint in ("static", "pages.pair_page", "pages.pair", "pages.health"):
            continue
        path = rule.rule
        for name in rule.arguments:
            path = path.replace(f"<{name}>", PHOTO)
        for method in (rule.methods or set()) & {"GET", "POST", "PUT"}:
            # RFC 5737: an address of documentation, that is, of another computer.
            elsewhere = {"REMOTE_ADDR": "192.0.2.7"}
            answer = client.open(path, method=method, environ_overrides=elsewhere)
            expected = 401 if path.startswith("/api/") else 303
            assert answer.status_code == expected, (method, path)
    assert client.get("/healthz").json == {"status": "ok"}


def test_a_code_pairs_once_and_tokens_are_not_kept(serve, pair, tmp_path: Path) -> None:
    server = serve()
    client = create_app(server).test_client()
    code = server.devices.new_code()
    first = client.post("/pair", data={"code": f"{code[:4]}-{code[4:].lower()}"})
    cookie = first.headers["Set-Cookie"]
    token = cookie.split("=", 1)[1].split(";")[0]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert token not in (tmp_path / "herd.web" / "devices.json").read_text()
    assert create_app(server).test_client().post("/pair", data={"code": code}).status_code == 403


def test_guessing_codes_is_slowed_down(serve) -> None:
    client = create_app(serve(wrong_codes_per_minute=5, wrong_codes_at_once=5)).test_client()
    states = [client.post("/pair", data={"code": "AAAAAAAA"}).status_code for _ in range(8)]
    assert states[:5] == [403] * 5
    assert 429 in states[5:]


def test_expired_and_revoked_tokens(tmp_path: Path) -> None:
    now = [1000.0]
    devices = Devices(tmp_path / "d.json", token_hours=1, code_minutes=1, clock=lambda: now[0])
    token = devices.pair(devices.new_code(), name="x")
    late = devices.new_code()
    assert token is not None
    assert devices.of_token(token) is not None
    now[0] += 61
    assert devices.pair(late, name="y") is None
    now[0] += 3600
    assert devices.of_token(token) is None
    now[0] = 1000.0
    again = Devices(tmp_path / "d.json", token_hours=1, code_minutes=1, clock=lambda: now[0])
    device = again.of_token(token)
    assert device is not None
    assert again.revoke(device.device_id)
    assert again.of_token(token) is None
    assert again.of_token("") is None


def test_changes_need_the_csrf_token_and_the_own_origin(serve, pair) -> None:
    phone = pair(serve())
    assert phone.put(f"/api/visits/{VISIT}", headers={}).status_code == 403
    foreign = {"X-CSRF-Token": phone.csrf, "Origin": "http://elsewhere.example"}
    assert phone.put(f"/api/visits/{VISIT}", headers=foreign).status_code == 403
    assert phone.client.get("/", headers={"Host": "elsewhere.example"}).status_code == 400
    assert phone.put(f"/api/visits/{VISIT}").status_code == 200


def test_headers_allow_no_inline_script(serve, pair) -> None:
    phone = pair(serve())
    for path in ("/", "/pair", "/devices", "/api/visits", "/static/chute.js", "/nothing"):
        answer = phone.client.get(path)
        policy = answer.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["X-Frame-Options"] == "DENY"
        if answer.mimetype == "text/html":
            assert "<script>" not in answer.text
            assert "style=" not in answer.text
            assert HOSTILE not in answer.text
        answer.close()


def test_a_photo_sent_again_is_not_doubled(serve, pair) -> None:
    phone = pair(serve())
    phone.put(f"/api/visits/{VISIT}")
    assert [phone.put(ADDRESS, JPEG).status_code for _ in range(3)] == [201, 200, 200]
    visit = phone.client.get(f"/api/visits/{VISIT}").json
    assert [p["state"] for p in visit["photos"]] == ["done"]
    assert phone.put(ADDRESS, JPEG + b"x").status_code == 409


def test_two_phones_share_the_visits(serve, pair) -> None:
    server = serve()
    one, two = pair(server), pair(server)
    one.put(f"/api/visits/{VISIT}")
    one.put(ADDRESS, JPEG)
    two.csrf = server.devices.csrf_of(server.devices.all()[0])
    assert two.put(f"/api/visits/{VISIT}/photos/{'c' * 32}", JPEG + b"2").status_code == 201
    assert len(one.client.get(f"/api/visits/{VISIT}").json["photos"]) == 2


def test_a_restart_goes_on_with_what_was_acknowledged(serve, pair) -> None:
    phone = pair(serve(read=lambda asked: 0.0))
    phone.put(f"/api/visits/{VISIT}")
    assert phone.put(ADDRESS, JPEG).status_code == 201
    assert phone.client.get(f"/api/visits/{VISIT}").json["photos"][0]["state"] == "waiting"
    server = serve()
    answer = server.uploads.answer(PHOTO)
    assert answer is not None
    assert answer["text"] == "J342"
    assert server.visits.find(VISIT)["uploads"] == [PHOTO]


@pytest.mark.parametrize("blur_px", [0, 20])
def test_the_photo_is_judged_before_its_mark_is_read(serve, pair, blur_px: int) -> None:
    def only_looked(asked: ChutePhoto) -> float:
        write_check(asked.out, load_photo(asked.file, settings=asked.settings))
        return 0.0

    phone = pair(serve(read=only_looked, eyes_first=True))
    phone.put(f"/api/visits/{VISIT}")
    data = io.BytesIO()
    photo = Image.open(io.BytesIO(JPEG)).filter(ImageFilter.GaussianBlur(blur_px))
    photo.save(data, "JPEG")
    assert phone.put(f"{ADDRESS}?stage=cleaned", data.getvalue()).status_code == 201
    (seen,) = phone.client.get(f"/api/visits/{VISIT}").json["photos"]
    assert (seen["state"], "answer" in seen) == ("waiting", False)
    bad = [flag for flag in seen["check"]["capture"] if flag["bad"]]
    assert [flag["name"] for flag in bad] == (["blurred"] if blur_px else [])
    assert all(flag["remedy"] for flag in bad)
    with phone.client.get(f"/api/photos/{PHOTO}/photo.jpg") as picture:
        assert picture.status_code == 200


def test_eyes_come_first_when_asked_for(serve, pair) -> None:
    phone = pair(serve(eyes_first=True))
    phone.put(f"/api/visits/{VISIT}")
    phone.put(ADDRESS, JPEG)
    held = phone.client.get(f"/api/visits/{VISIT}").json
    assert held["photos"][0]["state"] == "held"
    assert held["session"] is None
    assert "J342" not in json.dumps(held)
    said = phone.put(f"{ADDRESS}/eyes", {"text": "j34?"}).json
    assert said["eyes"]["text"] == "J34?"
    assert said["eyes"]["blind"] is True
    assert said["answer"]["text"] == "J342"
    assert phone.put(f"{ADDRESS}/eyes", {"text": "OTHER"}).json["eyes"]["text"] == "J34?"


def test_eyes_after_the_answer_are_not_blind(serve, pair) -> None:
    phone = pair(serve())
    phone.put(f"/api/visits/{VISIT}")
    phone.put(ADDRESS, JPEG)
    phone.client.get(f"/api/visits/{VISIT}")
    assert phone.put(f"{ADDRESS}/eyes", {"text": "J342"}).json["eyes"]["blind"] is False


def test_a_full_queue_asks_to_come_again(serve, pair) -> None:
    phone = pair(serve(waiting_photos=0))
    phone.put(f"/api/visits/{VISIT}")
    answer = phone.put(ADDRESS, JPEG)
    assert answer.status_code == 503
    assert int(answer.headers["Retry-After"]) > 0


HOSTILE_FILES = {
    "empty": b"",
    "text": b"hello",
    "svg": b'<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg"><script/></svg>',
    "html": b"<html><script>alert(1)</script>",
    "zip": b"PK\x03\x04" + bytes(40),
    "elf": b"\x7fELF" + bytes(40),
    "pdf": b"%PDF-1.7\n" + bytes(40),
    "short": b"\xff\xd8",
}


@pytest.mark.parametrize("name", HOSTILE_FILES)
def test_what_is_no_photo_is_refused_and_not_kept(serve, pair, tmp_path: Path, name: str) -> None:
    phone = pair(serve())
    phone.put(f"/api/visits/{VISIT}")
    assert phone.put(ADDRESS, HOSTILE_FILES[name]).status_code in (400, 411, 415)
    assert list((tmp_path / "herd.web" / "uploads").iterdir()) == []


@pytest.mark.parametrize(
    "path",
    [
        "/api/photos/..%2f..%2fherd/photo.jpg",
        f"/api/photos/{PHOTO}/photo",
        f"/api/photos/{PHOTO}/upload.json",
        f"/api/photos/{PHOTO}/..%2f..%2fdevices.json",
        "/static/..%2fapp.py",
        "/api/visits/../../herd.db",
    ],
)
def test_no_way_out_of_the_folder(serve, pair, path: str) -> None:
    phone = pair(serve())
    phone.put(f"/api/visits/{VISIT}")
    phone.put(ADDRESS, JPEG)
    picture = phone.client.get(f"/api/photos/{PHOTO}/photo.jpg")
    assert picture.status_code == 200
    picture.close()
    assert phone.client.get(path).status_code == 404


def test_transponder_box(serve, pair) -> None:
    """Numbers by ISO 11784: 999 is the test range, 982 a manufacturer's."""
    phone = pair(serve())
    phone.put(f"/api/visits/{VISIT}")
    address, headers = f"/api/visits/{VISIT}/transponder", {"X-CSRF-Token": phone.csrf}
    good = phone.client.post(address, json={"text": " 982000123456789\n"}, headers=headers)
    assert [scan["number"] for scan in good.json["scans"]] == ["982000123456789"]
    for text in ("12345", "999000000000001", HOSTILE):
        assert phone.client.post(address, json={"text": text}, headers=headers).status_code == 422


def test_backup_health_and_metrics(serve, pair, tmp_path: Path) -> None:
    phone = pair(serve())
    assert phone.client.post("/backup", data={"csrf": phone.csrf}).status_code == 303
    assert len(list(tmp_path.glob("herd-*.db"))) == 1
    assert "legibility_requests_total" in phone.client.get("/metrics").text


def test_rate_fills_again() -> None:
    now = [0.0]
    limit = RateLimit(60, burst=2, clock=lambda: now[0])
    assert [limit.wait_s("a") for _ in range(3)] == [0.0, 0.0, pytest.approx(1.0)]
    assert limit.wait_s("b") == 0.0
    now[0] = 1.0
    assert limit.wait_s("a") == 0.0


def test_unacknowledged_ids_are_checked(serve, pair) -> None:
    phone = pair(serve())
    assert phone.put("/api/visits/not-an-id").status_code == 404
    phone.put(f"/api/visits/{VISIT}")
    assert phone.put(f"/api/visits/{VISIT}/photos/evil", JPEG).status_code == 404

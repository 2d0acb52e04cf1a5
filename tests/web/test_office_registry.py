"""A registry sent to the office: shown as understood, asked about, imported when agreed.

Sources: OWASP ASVS 4.0 5.3 (output encoding) and 12.1 (size of files), from memory. Invented data.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest
from werkzeug.datastructures import FileStorage, MultiDict
from werkzeug.test import TestResponse, stream_encode_multipart

from legibility.store.animals import all_chips
from legibility.store.database import create_herd, open_herd
from legibility.store.marks import current_marks
from legibility.web.config import Limits, ServerConfig
from legibility.web.state import open_server
from legibility.workers import InlineExecutor
from tests.cli.test_registry import CHIPS, FARM, registry_of_400

from .conftest import Phone
from .test_office import words


@pytest.fixture
def herd(tmp_path: Path) -> Path:
    path = tmp_path / "herd.db"
    create_herd(path).close()
    return path


@pytest.fixture
def desk(herd: Path, pair: Callable[..., Phone]) -> Phone:
    config = ServerConfig(herd=herd, host_names=("localhost",), limits=Limits(registry_mib=1))
    return pair(open_server(config, open_pool=InlineExecutor))


def get(desk: Phone, address: str) -> str:
    answer = desk.client.get(address)
    assert answer.status_code == 200, answer.text
    return str(answer.text)


def post(desk: Phone, address: str, **fields: str) -> TestResponse:
    return desk.client.post(address, data={"csrf": desk.csrf, **fields})


def send(desk: Phone, data: bytes, name: str = "list.csv") -> str:
    """Send a file; gives where the browser goes, or what the page says."""
    fields = MultiDict({"csrf": desk.csrf, "file": FileStorage(io.BytesIO(data), filename=name)})
    stream, _, boundary = stream_encode_multipart(fields, use_tempfile=False)
    kind = f"multipart/form-data; boundary={boundary}"
    answer = desk.client.post("/office/registry", data=stream.read(), content_type=kind)
    assert answer.status_code in (303, 413, 422), answer.text
    return str(answer.headers.get("Location", answer.text))


def test_a_farmers_list_is_shown_and_imported(desk: Phone, herd: Path) -> None:
    address = send(desk, FARM.encode("cp1252"))
    shown = words(get(desk, address))
    assert "Nothing is imported yet" in shown
    assert "mark, left ear C: Tätowierung links HD 782" in shown
    assert "cannot be told apart by characters alone" in shown
    with open_herd(herd) as db:
        assert db.count("animals") == 0
    done = post(desk, address + "/import")
    assert "4 new, 0 changed" in words(done.text)
    with open_herd(herd) as db:
        assert [m.text for m in current_marks(db)][:2] == ["HD782", "HD783"]
    assert desk.client.get(address).status_code == 404


def test_bad_chips_are_listed_and_left_out_only_when_agreed(desk: Phone, herd: Path) -> None:
    address = send(desk, registry_of_400().encode())
    shown = words(get(desk, address))
    assert "line 12, column Chip: chip: 9.85E+14: a spreadsheet has shortened" in shown
    assert "import 400 of 400 animals without the cells above" in shown
    assert post(desk, address + "/import").status_code == 422
    with open_herd(herd) as db:
        assert db.count("animals") == 0
    done = words(post(desk, address + "/import", good="yes").text)
    assert "Left out" in done
    assert "line 22, column Chip" in done
    with open_herd(herd) as db:
        assert {c.number for c in all_chips(db)} == set(CHIPS)


def test_what_is_not_clear_is_asked_and_answered_with_a_button(desk: Phone) -> None:
    text = "Tag;Tattoo;Tattoo no\nUK 1;HD1;5\nUK 2;HD2;6\nUK 3;HD3;7\n"
    address = send(desk, text.encode())
    asked = get(desk, address)
    assert "several columns look like the mark" in asked
    assert "<button>mark=Tattoo</button>" in asked
    assert post(desk, address + "/import").status_code == 422
    assert post(desk, address + "/columns", columns="mark").status_code == 422
    post(desk, address + "/columns", columns="mark=Tattoo")
    assert "3 animals, all of which can be used" in words(get(desk, address))


def test_hostile_lists(desk: Phone, herd: Path) -> None:
    evil = "<script>alert(1)</script>"
    text = f"Tag;Tattoo;{evil}\n{evil};HD1;{evil}\n=HYPERLINK(1);HD2;x\n"
    address = send(desk, text.encode(), f"../../{evil}.csv")
    shown = get(desk, address)
    assert evil not in shown
    assert "&lt;script&gt;" in shown
    assert re.fullmatch(r"/office/registry/[0-9a-f]{32}", address)
    assert desk.client.get("/office/registry/..%2f..%2fetc").status_code == 404
    assert desk.client.get("/office/registry/" + "0" * 32).status_code == 404
    assert "is empty" in send(desk, b"")
    assert "the limit for a registry is 1 MiB" in send(desk, b"x" * 3 * 2**20)
    refused = desk.client.get(send(desk, b"PK\x03\x04" + b"\0" * 99, "bomb.xlsx"))
    assert refused.status_code == 422
    assert "bomb.xlsx: cannot be read as a workbook" in refused.text


def test_a_workbook_is_taken_too(desk: Phone, herd: Path) -> None:
    book = openpyxl.Workbook()
    for row in (["Ear tag", "Tattoo"], ["UK 1", "HD 782"], ["UK 2", "KT/7"]):
        book.active.append(row)
    out = io.BytesIO()
    book.save(out)
    address = send(desk, out.getvalue(), "list.xlsx")
    assert "XLSX, sheet Sheet; headings in row 1" in words(get(desk, address))
    post(desk, address + "/import")
    with open_herd(herd) as db:
        assert [m.text for m in current_marks(db)] == ["HD782", "KT/7"]

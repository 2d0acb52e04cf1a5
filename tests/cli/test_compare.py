"""``legibility compare`` as a person meets it."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from legibility.cli import cli

SAMPLES = Path(__file__).parent.parent.parent / "sample_images"
HOSTILE = "<img src=x onerror=alert(1)>"


@pytest.fixture(autouse=True)
def arranged_reader() -> None:
    """These tests read photos as they are, with the pipeline itself."""


def test_text_json_and_page_agree_and_hostile_names_are_text(tmp_path: Path) -> None:
    registry = tmp_path / "herd.csv"
    registry.write_text(f'animal_id,mark\n"{HOSTILE}",J342\nsecond,J341\n', "utf-8")
    page, lines = tmp_path / "page.html", tmp_path / "out.json"
    arguments = ["compare", str(SAMPLES / "as-new.jpg"), "--claim", HOSTILE, "--claim", "second"]
    arguments += ["--registry", str(registry), "--html", str(page), "--json", str(lines)]
    done = CliRunner().invoke(cli, arguments)
    assert done.exit_code == 0, done.output
    assert max(map(len, done.output.splitlines())) <= 100
    record = json.loads(lines.read_text("utf-8"))
    assert record["verbal"]["for"] == "A"
    assert record["verbal"]["words"] in done.output
    assert "ENFSI" in done.output
    html = page.read_text("utf-8")
    assert HOSTILE not in html
    assert "&lt;img src=x onerror=alert(1)&gt;" in html
    # One file that opens offline: pictures inside, no address elsewhere, no script.
    assert not re.search(r"""(src|href)=["'](?!data:|#)""", html)
    assert "<script" not in html
    for text in (done.output, re.sub(r"data:[^\"]*", "", html), json.dumps(record)):
        assert "match" not in text.lower()


def test_two_claims_are_asked_for() -> None:
    for claims in (["--claim", "A1"], ["--claim", "A1", "--claim", "B2", "--claim", "C3"]):
        done = CliRunner().invoke(cli, ["compare", str(SAMPLES / "as-new.jpg"), *claims])
        assert done.exit_code == 2
        assert "give it twice" in done.output


def test_a_strange_claim_has_its_exit_code() -> None:
    arguments = ["compare", str(SAMPLES / "as-new.jpg"), "--claim", "J342", "--claim", "J!"]
    done = CliRunner().invoke(cli, arguments)
    assert done.exit_code == 11
    assert "Error: claim" in done.output


def test_what_is_no_photo_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "text.jpg"
    path.write_text("no picture", "utf-8")
    done = CliRunner().invoke(cli, ["compare", str(path), "--claim", "A1", "--claim", "B1"])
    assert done.exit_code == 4

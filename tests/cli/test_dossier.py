"""``legibility dossier``, ``rerun`` and ``verify`` as an auditor meets them, on an invented case.

Outside checks: the standard library's ``zipfile`` and ``sqlite3``, Pillow for what pictures say of
themselves; the order of contents of ISO 21043-5:2025 (its list of contents: 5.2 administrative
information, 5.3 integrity of items, 5.4 uncertainty, 5.5.2 probabilities, 5.5.3 likelihood ratios,
5.5.4 estimations, 6 case-file review).
"""

from __future__ import annotations

import base64
import hashlib
import io
import json
import math
import re
import shutil
import sqlite3
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from PIL import Image

from legibility.cli import cli
from legibility.evidence.case_zip import MANIFEST, zip_bytes
from legibility.evidence.ratio_file import load_ratio_model
from legibility.evidence.verbal import verbal

SAMPLES = Path(__file__).parent.parent.parent / "sample_images"
HOSTILE = "<img src=x onerror=alert(1)>"
CHIP = "999000000000017"
VALIDATED = len(load_ratio_model()[0].held_out)
"""Disputes that the shipped ratios were measured on."""


@pytest.fixture(autouse=True)
def arranged_reader() -> None:
    """These tests read photos as they are, with the pipeline itself."""


@dataclass(frozen=True)
class Made:
    """A dossier of a case in a herd's record."""

    folder: Path
    herd: Path
    photo: Path
    record: dict[str, Any]

    @property
    def files(self) -> dict[str, bytes]:
        with zipfile.ZipFile(self.folder / "case.zip") as archive:
            return {n: archive.read(n) for n in archive.namelist() if n != MANIFEST}


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(cli, [str(argument) for argument in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def good(*arguments: object) -> str:
    result = run(*arguments)
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """The mark says J342, the transponder that was read with it belongs to the animal of J341."""
    folder = tmp_path_factory.mktemp("case")
    herd, photo = folder / "herd.db", folder / "photos" / "ear.jpg"
    photo.parent.mkdir()
    shutil.copy(SAMPLES / "as-new.jpg", photo)
    registry = f'animal_id,mark,chip\n"{HOSTILE}",J342,\nGorsa,J341,{CHIP}\n'
    (folder / "herd.csv").write_text(registry, "utf-8")
    (folder / "photos.csv").write_text(f"file,chip\near.jpg,{CHIP}\n", "utf-8")
    shutil.copy(folder / "photos.csv", photo.parent / "photos.csv")
    settings = folder / "settings.toml"
    settings.write_text("second_reader = false\n", "utf-8")
    test = ("--test-numbers", "--who", "Ada")
    good("herd", "new", herd)
    good("herd", "import-registry", herd, folder / "herd.csv", *test)
    good(
        "herd", "import-photos", herd, photo.parent, "--manifest", photo.parent / "photos.csv",
        "--no-second-reader", "--jobs", 1, *test,
    )  # fmt: skip
    good(
        "dossier", 1, "--herd", herd, "--settings", settings, "--out", folder / "case.html",
        "--by", "Ada", "--question", f"Whose ear is it? {HOSTILE}", "--authority", HOSTILE,
    )  # fmt: skip
    record = json.loads((folder / "case.json").read_text("ascii"))
    return Made(folder, herd, photo, record)


def test_page_record_and_zip_hold_the_same(made: Made) -> None:
    assert made.files["dossier.json"] == (made.folder / "case.json").read_bytes()
    assert made.files["dossier.html"] == (made.folder / "case.html").read_bytes()
    (item,) = made.record["items"]
    assert made.files[item["file"]] == made.photo.read_bytes()
    assert item["sha256"] == hashlib.sha256(made.photo.read_bytes()).hexdigest()
    assert {e["what"] for e in item["entries"]} >= {"read photo"}
    assert {c["name"] for c in made.record["figures"]["comparison"]["claims"]} == {HOSTILE, "Gorsa"}
    said = made.record["figures"]["comparison"]["verbal"]
    # As new, so as much as the validity data support; the scale itself is tested beside its source.
    most = max(abs(bound) for bound in load_ratio_model()[0].cap)
    assert said["ratio"] == pytest.approx(math.exp(most), rel=1e-3)
    supported = made.record["figures"]["comparison"]["claims"]["AB".index(said["for"])]
    assert (said["words"], supported["name"]) == (verbal(most).words, HOSTILE)


def test_the_page_opens_offline_and_names_are_text(made: Made) -> None:
    html = (made.folder / "case.html").read_text("utf-8")
    assert not re.search(r"""(src|href)=["'](?!data:|#)""", html)
    bare = re.sub(r"data:[^\"]*", "", html)
    assert HOSTILE not in bare
    assert bare.count("&lt;img src=x onerror=alert(1)&gt;") >= 5
    assert "<script" not in bare
    assert "match" not in bare.lower()


def test_sections_follow_the_list_of_contents(made: Made) -> None:
    html = (made.folder / "case.html").read_text("utf-8")
    sections = [c["section"] for c in made.record["contents"]]
    assert re.findall(r'<h2 id="(\w+)"', html) == sections
    clauses = [re.search(r"\(([\d.]+)\)", c["iso_21043_5"]) for c in made.record["contents"]]
    numbers = [[int(n) for n in found[1].split(".")] for found in clauses if found]
    assert numbers == sorted(numbers)
    assert [5, 5, 3] in numbers
    assert "no conformity with it is claimed" in html


@pytest.mark.parametrize(
    "wanted",
    [
        "ENFSI Guideline for Evaluative Reporting", "may be an offence", "not an official identity",
        "Not considered", "What this does not prove", "compute a whole new chain", "Cllr-min",
        "network alone", "needle model alone", "95 % of ratios", "Prior odds A : B",
        "If an error was made at application", "needle by needle",
        f"more than that {VALIDATED} validated",
    ],
)  # fmt: skip
def test_what_a_dossier_must_say(made: Made, wanted: str) -> None:
    assert wanted in (made.folder / "case.html").read_text("utf-8")


def test_every_picture_names_its_original_and_its_steps(made: Made) -> None:
    (item,) = made.record["items"]
    assert len(made.record["pictures"]) >= 6
    for told in made.record["pictures"]:
        data = made.files[told["file"]]
        assert hashlib.sha256(data).hexdigest() == told["sha256"]
        assert told["parent_sha256"] == item["sha256"]
        said = own_words(data)
        assert item["sha256"] in said
        assert "; ".join(told["steps"]) in said


def own_words(data: bytes) -> str:
    """What Pillow finds a picture saying of itself."""
    with Image.open(io.BytesIO(data)) as picture:
        texts = picture.info
    return " ".join(t.decode() if isinstance(t, bytes) else str(t) for t in texts.values())


def test_the_dossier_is_in_the_record_whose_chain_stays_sound(made: Made, tmp_path: Path) -> None:
    output = good("verify", made.herd)
    assert "all as recorded" in output
    assert "can compute a whole new chain" in " ".join(output.split())
    with sqlite3.connect(made.herd) as db:
        what, outputs = db.execute(
            "SELECT what, outputs FROM events ORDER BY seq DESC LIMIT 1"
        ).fetchone()
    assert what == "dossier"
    digest = hashlib.sha256((made.folder / "case.zip").read_bytes()).hexdigest()
    assert json.loads(outputs)["files"]["case.zip"] == digest
    head = tmp_path / "head.txt"
    head.write_text(good("verify", made.herd, "--print-head"), "utf-8")
    good("verify", made.herd, "--anchor", head)


def test_a_changed_photo_and_a_changed_entry_are_named(made: Made, tmp_path: Path) -> None:
    herd = tmp_path / "herd.db"
    with sqlite3.connect(made.herd) as source, sqlite3.connect(herd) as copy:
        source.backup(copy)
        for (name,) in copy.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'"):
            copy.execute(f'DROP TRIGGER "{name}"')
        copy.execute("UPDATE events SET who = 'Bo' WHERE seq = 2")
    result = run("verify", herd)
    assert result.exit_code == 10
    assert re.search(r"entry 2\b", result.output)
    original = made.photo.read_bytes()
    try:
        made.photo.write_bytes(original[:-1] + bytes([original[-1] ^ 1]))
        result = run("verify", made.herd)
        assert result.exit_code == 10
        assert "changed since intake" in " ".join(result.output.split())
        result = run("dossier", 1, "--herd", made.herd, "--out", tmp_path / "late.html")
        assert (result.exit_code, "changed since intake" in result.output) == (11, True)
        assert not (tmp_path / "late.html").exists()
    finally:
        made.photo.write_bytes(original)


def test_the_same_platform_gives_the_same_bits(made: Made) -> None:
    record = json.loads(good("rerun", made.folder / "case.zip", "--json", "-"))
    assert record["same_platform"]
    assert record["tolerance"] == 0
    assert record["differences"] == []
    assert record["reproduced"]
    assert record["page"]
    assert record["figures"] > 500
    assert record["pictures"] >= 6 * len(made.record["pictures"])


def test_forged_figures_words_and_pages_are_named(made: Made, tmp_path: Path) -> None:
    """Everything that a zip's own list of digests cannot show, in one go."""
    record = json.loads(made.files["dossier.json"])
    record["figures"]["exact"]["comparison"]["ratio"]["uncapped"] *= 1 + 2**-52
    record["cautions"][0] = "A reading is an official identity."
    record["pictures"][0]["sha256"] = "0" * 64
    forged = tmp_path / "forged.zip"
    text = json.dumps(record).encode("ascii")
    forged.write_bytes(zip_bytes({**made.files, "dossier.json": text}))
    result = run("rerun", forged)
    assert result.exit_code == 11
    for where in ("exact.comparison.ratio.uncapped", "cautions[0]", "pictures."):
        assert where in result.output


def test_a_forged_page_is_named(made: Made, tmp_path: Path) -> None:
    page = made.files["dossier.html"].replace(b"moderate support", b"extremely strong support")
    forged = tmp_path / "forged.zip"
    forged.write_bytes(zip_bytes({**made.files, "dossier.html": page}))
    result = run("rerun", forged)
    assert result.exit_code == 11
    assert "not the page of this record" in result.output


def test_what_was_changed_in_a_zip_is_found_before_anything_is_read(
    made: Made, tmp_path: Path
) -> None:
    (item,) = made.record["items"]
    path = tmp_path / "case.zip"

    def refused(files: dict[str, bytes], said: str) -> None:
        path.write_bytes(zip_bytes(files))
        result = run("rerun", path)
        assert result.exit_code in (6, 11), result.output
        assert said in result.output
        assert "legibility-rerun-" not in result.output

    original = made.files[item["file"]]
    refused({**made.files, item["file"]: original + b"\0"}, "changed since intake")
    for name in ("case.json", "dossier.json", "inputs/settings.toml", item["file"]):
        refused({n: data for n, data in made.files.items() if n != name}, name)
    case = json.loads(made.files["case.json"])
    for file in ("../ear.jpg", "/etc/passwd", ""):
        stolen = {**case, "items": [{**case["items"][0], "file": file}]}
        refused({**made.files, "case.json": json.dumps(stolen).encode("ascii")}, "leads outside")
    outside = made.files["inputs/settings.toml"] + b'\ncalibration_file = "/etc/hostname"\n'
    lines = [line for line in outside.splitlines() if line != b'calibration_file = ""']
    refused({**made.files, "inputs/settings.toml": b"\n".join(lines)}, "leads outside")
    for text in (b"", b"null", b"[" * 3000 + bytes(range(32, 127))):
        refused({**made.files, "case.json": text}, "case.json")
        refused({**made.files, "dossier.json": text}, "dossier.json")


def test_paths_and_bombs_in_a_zip_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "in" / "case.zip"
    path.parent.mkdir()
    for name, data in (("../out.txt", b"x"), ("originals/01.jpg", bytes(8_000_000))):
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr(MANIFEST, '{"format": 1, "files": {}}')
            archive.writestr(name, data)
        result = run("rerun", path)
        assert (result.exit_code, "nothing was unpacked" in result.output) == (11, True)
    assert [p.name for p in tmp_path.iterdir()] == ["in"]
    path.write_bytes(b"no zip")
    assert run("rerun", path).exit_code == 11


def test_a_comparison_enters_the_record_with_its_page(made: Made, tmp_path: Path) -> None:
    page, herd = tmp_path / "page.html", tmp_path / "herd.db"
    with sqlite3.connect(made.herd) as source, sqlite3.connect(herd) as copy:
        source.backup(copy)
    good(
        "compare", made.photo, "--claim", "J342", "--claim", "J341", "--html", page,
        "--settings", made.folder / "settings.toml", "--record", herd, "--by", "Cy",
    )  # fmt: skip
    with sqlite3.connect(herd) as db:
        what, who, inputs, outputs = db.execute(
            "SELECT what, who, inputs, outputs FROM events ORDER BY seq DESC LIMIT 1"
        ).fetchone()
    assert (what, who) == ("compare", "Cy")
    digest = hashlib.sha256(made.photo.read_bytes()).hexdigest()
    assert json.loads(inputs)["photos"][0]["sha256"] == digest
    assert json.loads(outputs)["page_sha256"] == hashlib.sha256(page.read_bytes()).hexdigest()
    addresses = re.findall(r'src="data:image/\w+;base64,([^"]+)"', page.read_text("utf-8"))
    assert len(addresses) == 2
    for address in addresses:
        said = own_words(base64.b64decode(address))
        assert digest in said
        assert "decoded, turned upright, RGB" in said
    assert "all as recorded" in good("verify", made.herd)


def test_cases_nobody_can_document_are_refused(made: Made, tmp_path: Path) -> None:
    out = ("--out", tmp_path / "page.html")
    assert run("dossier", 7, "--herd", made.herd, *out).exit_code == 10
    assert run("dossier", "x", "--herd", made.herd, *out).exit_code == 2
    assert run("dossier", 1, *out).exit_code == 2
    for claims in (["J342"], ["J342", "J342"], ["J342", "J!"]):
        words = [word for claim in claims for word in ("--claim", claim)]
        assert run("dossier", made.photo, *words, *out).exit_code == 11
    strange = tmp_path / "strange.jpg"
    shutil.copy(SAMPLES / "two-rows.jpg", strange)
    assert run("dossier", 1, strange, "--herd", made.herd, *out).exit_code == 11
    assert not (tmp_path / "page.html").exists()

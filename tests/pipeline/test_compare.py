"""Two claims about the sample photos: who is favoured, what adds up, what is refused."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from legibility.alphabet import CHARACTERS
from legibility.containers import Animal
from legibility.errors import EvidenceError
from legibility.evidence.comparison import Comparison
from legibility.evidence.comparison_record import comparison_record
from legibility.identify.animals import Registry, registry_of
from legibility.identify.registry import load_registry
from legibility.identify.rules import Rules
from legibility.pipeline.claims import resolve_claim
from legibility.pipeline.compare import ComparedPhoto, compare
from legibility.settings import Settings

SAMPLES = Path(__file__).parent.parent.parent / "sample_images"
FAST = Settings(second_reader=False)
HOSTILE = "<script>alert(1)</script>"


@pytest.fixture(scope="module")
def registry() -> Registry:
    return load_registry(SAMPLES / "registry.csv")


@pytest.fixture(scope="module")
def compared(registry: Registry) -> tuple[Comparison, tuple[ComparedPhoto, ...]]:
    return compare(
        [SAMPLES / "as-new.jpg"], ("Eskel 005", "J341"), registry=registry, settings=FAST
    )


def test_the_true_claim_is_favoured(
    compared: tuple[Comparison, tuple[ComparedPhoto, ...]],
) -> None:
    result, _ = compared
    assert result.claims[0].mark == "J342"
    assert result.ratio.value > math.log(2)
    assert result.against_neither[0].value > 0
    assert "J342" in result.claims[0].proposition


def test_contributions_add_up(compared: tuple[Comparison, tuple[ComparedPhoto, ...]]) -> None:
    result, _ = compared
    record = comparison_record(result)
    assert sum(p["log_ratio"] for p in record["photos"]) == pytest.approx(
        record["log_ratio_uncapped"], rel=1e-4
    )
    for photo in record["photos"]:
        total = sum(c["log_ratio"] for c in photo["characters"]) + photo["rest"]
        assert total == pytest.approx(photo["log_ratio"], rel=1e-4)
        assert [c["log_ratio"] for c in photo["characters"][:3]] == [0.0, 0.0, 0.0]
        (cell,) = photo["cells"]
        needles = sum(n["log_ratio"] for n in cell["needles"]) + cell["other_poses"]
        assert needles == pytest.approx(cell["needle_log_ratio"], rel=1e-3)
        assert cell["only_A"]["inked"] > cell["only_B"]["inked"]
        last = photo["characters"][3]
        assert last["readers"]["needles"] == pytest.approx(cell["needle_log_ratio"], rel=1e-3)


def test_the_record_is_strict_json_and_never_says_match(
    compared: tuple[Comparison, tuple[ComparedPhoto, ...]],
) -> None:
    text = json.dumps(comparison_record(compared[0]), allow_nan=False)
    assert "match" not in text.lower()
    assert json.loads(text)["provenance"]["ratios_sha256"] == compared[0].ratios_sha256


def test_pictures_show_both_claims(
    compared: tuple[Comparison, tuple[ComparedPhoto, ...]],
) -> None:
    (photo,) = compared[1]
    (row,) = photo.rows
    assert row.dtype == np.uint8
    # Orange (needles only one claim has) appears in both halves of the picture.
    orange = (np.abs(row.astype(int) - (196, 84, 0)).sum(axis=2) < 40).any(axis=0)
    middle = row.shape[1] // 2
    assert orange[:middle].any()
    assert orange[middle:].any()


def test_exchanging_the_claims_gives_the_reciprocal(
    registry: Registry, compared: tuple[Comparison, tuple[ComparedPhoto, ...]]
) -> None:
    other, _ = compare(
        [SAMPLES / "as-new.jpg"], ("J341", "Eskel 005"), registry=registry, settings=FAST
    )
    assert other.ratio.value == pytest.approx(-compared[0].ratio.value, rel=1e-9)


def test_an_application_error_would_help_the_wrong_claim(
    compared: tuple[Comparison, tuple[ComparedPhoto, ...]],
) -> None:
    first, second = compared[0].application
    assert first.probability < second.probability
    assert second.mark == "J342"


def test_photos_of_different_ears_are_refused(registry: Registry) -> None:
    photos = [SAMPLES / "as-new.jpg", SAMPLES / "two-rows.jpg"]
    with pytest.raises(EvidenceError, match="different ears"):
        compare(photos, ("J342", "J341"), registry=registry, settings=FAST)


def test_a_photo_without_a_mark_says_nothing_and_a_file_counts_once() -> None:
    photos = [SAMPLES / "faded-away.jpg", SAMPLES / "faded-away.jpg"]
    result, _ = compare(photos, ("J342", "J341"), settings=FAST)
    assert len(result.photos) == 1
    assert abs(result.ratio.value) < math.log(2)
    assert any("same file" in note for note in result.notes)


def test_a_copy_of_a_photo_adds_nothing(
    registry: Registry,
    compared: tuple[Comparison, tuple[ComparedPhoto, ...]],
    tmp_path: Path,
) -> None:
    with Image.open(SAMPLES / "as-new.jpg") as image:
        copy = image.convert("RGB").transpose(Image.Transpose.ROTATE_90)
    copy.save(tmp_path / "copy.jpg", quality=70)
    photos = [SAMPLES / "as-new.jpg", tmp_path / "copy.jpg"]
    result, _ = compare(photos, ("Eskel 005", "J341"), registry=registry, settings=FAST)
    assert result.ratio == compared[0].ratio
    assert result.against_neither == compared[0].against_neither
    assert [len(photo.notes) for photo in result.photos] == [0, 1]
    assert "same exposure as" in result.photos[1].notes[0]


@pytest.mark.parametrize(
    ("claims", "said"),
    [
        (("J342", "j342"), "cannot tell them apart"),
        (("Eskel 005", "J342"), "cannot tell them apart"),
        (("Eskel 005", "ZZ99"), "no animal and no mark"),
        (("Eskel 005", HOSTILE), "no animal and no mark"),
    ],
)
def test_claims_that_cannot_be_weighed(
    registry: Registry, claims: tuple[str, str], said: str
) -> None:
    with pytest.raises(EvidenceError, match=said):
        compare([SAMPLES / "as-new.jpg"], claims, registry=registry, settings=FAST)


def test_without_a_registry_the_rules_decide() -> None:
    rules = Rules(characters=CHARACTERS.replace("O", ""), longest_row=4, max_rows=1)
    assert resolve_claim("ab12", None, rules=rules).mark == "AB12"
    for claim in ("ABO1", "AB123", "A/1", "", "a?b"):
        with pytest.raises(EvidenceError, match="claim"):
            resolve_claim(claim, None, rules=rules)


def test_an_animal_called_like_anothers_mark_must_be_named_clearly() -> None:
    animals = (Animal("AB12", "CD34", ear="left"), Animal("other", "AB12", ear="right"))
    registry = registry_of(animals)
    with pytest.raises(EvidenceError, match="also the mark"):
        resolve_claim("AB12", registry, rules=None)
    assert resolve_claim("other", registry, rules=None).ears == ("right",)


def test_records_that_name_different_ears_are_pointed_out() -> None:
    animals = (Animal(HOSTILE, "J342", ear="left"), Animal("second", "J341", ear="right"))
    result, _ = compare(
        [SAMPLES / "faded-away.jpg"],
        (HOSTILE, "second"),
        registry=registry_of(animals),
        settings=FAST,
    )
    assert any("different ears" in note for note in result.notes)
    assert HOSTILE in result.claims[0].proposition


def test_a_claim_without_a_row_break_stands_as_the_photo_shows_it() -> None:
    # The sample photo shows BX over L684; the sample list writes BXL684.
    photo = [SAMPLES / "two-rows.jpg"]
    herd = load_registry(SAMPLES / "registry.csv")
    said, _ = compare(photo, ("Amsel 001", "Eskel 030"), registry=herd)
    written, _ = compare(photo, ("BX/L684", "BX/L884"))
    assert said.ratio.value > 0.8 * written.ratio.value > 1.0
    with pytest.raises(EvidenceError):
        compare(photo, ("BXL684", "BX/L684"))

from __future__ import annotations

import json
from pathlib import Path

import pytest

from legibility.containers import Animal, EyeReading, Given, Known
from legibility.errors import EvidenceError, RegistryError, RowsError, SettingsError
from legibility.evidence.agreement import exact_share
from legibility.evidence.reliability import ReaderReliability, reliability_record
from legibility.identify.registry import registry_of
from legibility.pipeline.given import (
    checked_given,
    eye_readings,
    known_animal,
    present_list,
    years_at_age,
    years_of,
)
from legibility.settings import Settings


@pytest.mark.parametrize(
    "content",
    [
        "goat 1\ngoat 2\n\n goat 1 \n",
        "\ufeffanimal_id\r\ngoat 1\r\ngoat 2\r\n",
        "pen;animal_id\nA;goat 1\nB;goat 2\n",
    ],
)
def test_lists_of_those_present(tmp_path: Path, content: str) -> None:
    file = tmp_path / "pen.csv"
    file.write_text(content, encoding="utf-8", newline="")
    assert present_list(file) == ("goat 1", "goat 2")
    known = known_animal(present=file)
    assert (known.present, known.present_name) == (("goat 1", "goat 2"), str(file))


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (b"", "holds no identifier"),
        (b"animal_id\n", "holds no identifier"),
        (b"goat 1\ngoat\x07 2\n", "line 2: animal_id"),
        (b"goat\xe9\n", "line 1: byte 0xe9"),
        (b"x" * 300, "line 1: animal_id"),
    ],
)
def test_bad_lists_are_named(tmp_path: Path, content: bytes, problem: str) -> None:
    file = tmp_path / "pen.txt"
    file.write_bytes(content)
    with pytest.raises(RowsError, match=r"pen\.txt") as caught:
        present_list(file)
    assert problem in str(caught.value)


@pytest.mark.parametrize(
    ("text", "years"),
    [("2019", (2019, 2019)), ("2017-2019", (2017, 2019)), ("2017-", (2017, 0)), ("-19", None),
     ("2019-2017", None), ("", None), ("-", None), ("-2019", (0, 2019))],
)  # fmt: skip
def test_years_of_birth(text: str, years: tuple[int, int] | None) -> None:
    if years is None:
        with pytest.raises(ValueError, match="found"):
            years_of(text)
    else:
        assert years_of(text) == years


def test_ages_are_years_of_birth() -> None:
    """An animal of 3 full years in 2026 was born in 2022 or 2023, by its birthday."""
    assert years_at_age("3", now=2026) == (2022, 2023)
    assert years_at_age("3 - 5", now=2026) == (2020, 2023)
    for text in ("5-3", "old", "-3", ""):
        with pytest.raises(ValueError, match="found"):
            years_at_age(text, now=2026)


def reliability_file(folder: Path) -> Path:
    readers = [
        ReaderReliability("Ada", 40, 2, 0.95, exact_share(39, 40)),
        ReaderReliability("Bo", 12, 0, 0.7, None),
    ]
    file = folder / "readers.json"
    file.write_text(json.dumps(reliability_record(readers)), encoding="utf-8")
    return file


def test_readings_are_weighted_by_the_measured_reader(tmp_path: Path) -> None:
    file = reliability_file(tmp_path)
    settings = Settings()
    got = eye_readings(
        ["k?17", "K[b8]17", "-"], ["Ada", "Bo", "Cy"], reliability=file, settings=settings
    )
    assert [one.text for one in got] == ["K?17", "K[8B]17", ""]
    assert [one.accuracy for one in got] == [0.95, 0.7, settings.named_right_probability]
    assert got[0].basis == f"40 characters against known marks, {file}"
    assert "the other readers" in got[1].basis
    assert got[2].basis == f"not in {file}: the default of the settings"


def test_without_a_measurement_the_default_is_stated() -> None:
    (one,) = eye_readings(["K117"], settings=Settings(named_right_probability=0.6))
    assert (one.accuracy, one.basis) == (0.6, "not measured: the default of the settings")


@pytest.mark.parametrize(
    ("texts", "readers", "problem"),
    [
        (["K\u041217"], [], "CYRILLIC"),
        (["K\uff1817"], [], "FULLWIDTH"),
        ([""], [], "empty"),
        (["K1", "K2"], ["Ada"], "expected one for each"),
        (["K1"], ["A\x1bda"], "printable"),
    ],
)
def test_bad_readings_are_named(texts: list[str], readers: list[str], problem: str) -> None:
    with pytest.raises(ValueError, match=problem):
        eye_readings(texts, readers, settings=Settings())


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        ("", "cannot be read"),
        ("[]", "holds no readers"),
        ('{"format": 2, "readers": {}}', "holds no readers"),
        ('{"format": 1, "readers": {"Ada": {"read": 3}}}', "'Ada': accuracy: found None"),
        ('{"format": 1, "readers": {"Ada": {"accuracy": 1.5, "read": 3}}}', "found 1.5"),
        ('{"format": 1, "readers": {"Ada": {"accuracy": 0.5}}}', "read: found None"),
    ],
)
def test_bad_reliability_files_are_named(tmp_path: Path, content: str, problem: str) -> None:
    file = tmp_path / "readers.json"
    file.write_text(content, encoding="utf-8")
    with pytest.raises(EvidenceError, match=r"readers\.json") as caught:
        eye_readings(["K1"], reliability=file, settings=Settings())
    assert problem in str(caught.value)


def test_what_is_said_needs_a_registry() -> None:
    herd = registry_of([Animal("a", "A1")])
    for given in (
        Given(Known(alive=True)),
        Given(readings=(EyeReading("A1"),)),
        Given(explain="a"),
    ):
        with pytest.raises(SettingsError, match="--registry"):
            checked_given(given, None)
        assert checked_given(given, herd) == given
    assert checked_given(Given(), None) == Given()
    with pytest.raises(RegistryError, match="ghost"):
        checked_given(Given(explain="ghost"), herd)


@pytest.mark.parametrize("wrong", [{"sex": "x"}, {"ear": "both"}])
def test_unknown_words_are_refused(wrong: dict[str, str]) -> None:
    with pytest.raises(ValueError, match="expected"):
        known_animal(**wrong)

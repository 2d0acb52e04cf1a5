"""``legibility proof`` on simulated cards of dies that no network was trained on."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from legibility.cli import cli
from tests.sample_cards import LoadedDie, render_card, sample_card

SAMPLES = Path(__file__).parents[2] / "sample_images"


def card(
    path: Path, loaded: str, *, seed: int = 5, faults: dict[int, LoadedDie] | None = None
) -> Path:
    """A white card with dots of ink, seen from the front."""
    spec = sample_card(
        np.random.default_rng(seed),
        mark=loaded,
        split="held_out",
        kind="ink",
        paper="white",
        behind=False,
    )
    path.write_bytes(render_card(replace(spec, faults=faults or {})).jpeg)
    return path


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, ["proof", *map(str, arguments)])


def record(result: Result) -> dict:
    return json.loads(result.stdout.splitlines()[0])


def test_a_right_card_is_right_and_teaches_its_dies(tmp_path: Path) -> None:
    photo, dies = card(tmp_path / "card.jpg", "K417"), tmp_path / "dies.toml"
    first = run(photo, "--mark", "k417", "--learn", dies)
    assert first.exit_code == 0, first.output
    assert "learned" in first.output
    assert "learned" not in run(photo, "--mark", "K417").output
    assert "the card shows the mark that is meant" in first.output
    assert "veterinarian" in first.output
    assert dies.read_text().count("[[die]]") == 4
    again = run(photo, "--mark", "K417", "--learn", dies, "--json", "-")
    assert all(die["needles"]["judged"] for die in record(again)["dies"])
    assert again.exit_code == 0


@pytest.mark.parametrize(
    ("meant", "code", "verdict"),
    [("K4X7", 20, "wrong die"), ("K147", 21, "swapped"), ("K41", 25, "layout")],
)
def test_a_wrong_card_has_its_own_exit_code(
    tmp_path: Path, meant: str, code: int, verdict: str
) -> None:
    result = run(card(tmp_path / "card.jpg", "K417"), "--mark", meant, "--json", "-")
    assert record(result)["verdict"] == verdict
    assert result.exit_code == code


def test_a_die_upside_down_is_named(tmp_path: Path) -> None:
    photo = card(tmp_path / "card.jpg", "K417", faults={2: LoadedDie(turned=True)})
    result = run(photo, "--mark", "K417", "--json", "-")
    said = record(result)
    # A 1 may look the same either way: it is then no fault that a photo can show.
    assert said["verdict"] in ("upside down", "right", "cannot tell")
    turned_k = card(tmp_path / "k.jpg", "K417", faults={0: LoadedDie(turned=True)})
    result = run(turned_k, "--mark", "K417", "--json", "-")
    assert result.exit_code in (22, 24), result.output


def test_a_missing_needle_shows_once_the_die_is_known(tmp_path: Path) -> None:
    dies = tmp_path / "dies.toml"
    run(card(tmp_path / "good.jpg", "K417"), "--mark", "K417", "--learn", dies)
    bad = card(tmp_path / "bad.jpg", "K417", faults={3: LoadedDie(missing=(2,))})
    result = run(bad, "--mark", "K417", "--learn", dies)
    assert result.exit_code == 23, result.output
    assert "1 missing of" in result.output


def test_the_page_says_what_the_table_says(tmp_path: Path) -> None:
    page = tmp_path / "proof.html"
    result = run(card(tmp_path / "card.jpg", "K417"), "--mark", "K417", "--html", page)
    assert result.exit_code == 0
    text = page.read_text()
    assert "right, but its needles cannot be judged" in text
    assert "no card has taught that pattern yet" in " ".join(result.output.split())
    assert "no card has taught that pattern yet" in text
    assert "<script" not in text
    assert "http://" not in text


@pytest.mark.parametrize("mark", ["", "K4_7", "A/B/C"])
def test_what_is_no_mark_is_refused(tmp_path: Path, mark: str) -> None:
    result = run(card(tmp_path / "card.jpg", "K417"), "--mark", mark)
    assert result.exit_code == 5
    assert "--mark" in result.output


def test_an_ear_is_no_card() -> None:
    result = run(SAMPLES / "grey-skin.jpg", "--mark", "F845")
    assert result.exit_code == 4
    assert "card" in result.output


def test_rules_are_asked_first(tmp_path: Path) -> None:
    rules = tmp_path / "rules.toml"
    rules.write_text('characters = "0123456789"\n')
    result = run(tmp_path / "none.jpg", "--mark", "K417", "--rules", rules)
    assert result.exit_code == 5
    assert "'K'" in result.output


def test_dies_that_are_no_dies_are_named(tmp_path: Path) -> None:
    dies = tmp_path / "dies.toml"
    dies.write_text("format = 99\n")
    result = run(card(tmp_path / "card.jpg", "K417"), "--mark", "K417", "--learn", dies)
    assert result.exit_code in (6, 8)
    assert "dies.toml" in result.output


def test_a_registry_says_who_carries_the_mark_and_of_what_form_it_is(tmp_path: Path) -> None:
    lines = [f"Amsel {n},K{n // 10}/{n % 10}{n % 7}" for n in range(10, 90)]
    registry = tmp_path / "herd.csv"
    registry.write_text("\n".join(["animal_id,mark", *lines, "Tamlin,K/417"]) + "\n")
    photo = card(tmp_path / "card.jpg", "K417")
    answer = run(photo, "--mark", "K417", "--registry", registry, "--json", "-")
    assert answer.exit_code == 0
    carried, form = record(answer)["said_of_mark"]
    assert carried == "K417 is in the registry already: Tamlin"
    assert "forms learned from 81 marks" in form
    said = " ".join(run(photo, "--mark", "K417", "--registry", registry).output.split())
    assert "already: Tamlin" in said
    assert record(run(photo, "--mark", "K417", "--json", "-"))["said_of_mark"] == []


def test_a_mark_of_another_form_is_proved_all_the_same(tmp_path: Path) -> None:
    registry = tmp_path / "herd.csv"
    registry.write_text("animal_id,mark\n" + "".join(f"A{n},{n}KR\n" for n in range(10, 99)))
    photo = card(tmp_path / "card.jpg", "K417")
    answer = run(photo, "--mark", "K417", "--registry", registry, "--json", "-")
    assert answer.exit_code == 0
    [said] = record(answer)["said_of_mark"]
    # Laplace's rule: (0 + 1) / (89 + 2).
    assert said.startswith("K417 keeps to none of the forms learned from 89 marks (about 1.1 %")

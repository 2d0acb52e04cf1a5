"""Simulated disputes: rivals, and one ear read."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rapidfuzz.distance import Levenshtein

from legibility.containers import Animal
from legibility.evaluate.disputes import Task, disputes_of, edits, main, nearest_mark
from legibility.identify.animals import registry_of


@given(st.text("AB1/", max_size=8), st.text("AB1/", max_size=8))
def test_edits_agree_with_rapidfuzz(first: str, second: str) -> None:
    assert edits(first, second) == Levenshtein.distance(first, second)


def test_the_nearest_mark_looks_alike() -> None:
    marks = ("AB18", "AB10", "AB13", "AB1", "XY99")
    registry = registry_of([Animal(m, m) for m in marks])
    # 8 and 3 look alike (Simpson et al. 2013 and the pairs used for near-twins); 8 and 0 do not.
    assert nearest_mark("AB18", registry) == "AB13"
    assert nearest_mark("XY99", registry) != "XY99"


@pytest.mark.parametrize("arguments", [["--out", "/no/such/folder/r.json"], ["--photos", "1"]])
def test_what_cannot_work_is_refused_before_measuring(
    arguments: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.argv", ["disputes", *arguments])
    with pytest.raises(SystemExit) as stopped:
        main()
    assert stopped.value.code == 2
    assert arguments[0] in capsys.readouterr().err


@pytest.mark.parametrize(("held_out", "photos"), [(False, 2), (True, 1)])
def test_an_ear_gives_its_disputes(held_out: bool, photos: int) -> None:
    found = disputes_of(Task(0, 60, held_out))
    assert len(found) == photos
    for dispute in found:
        assert dispute.truth != dispute.rival
        assert dispute.condition == ("fading 0" if held_out else "new")
        assert 0.0 <= dispute.said <= 1.0
        assert (dispute.said > 0) == bool(dispute.scores)
        for values in dispute.scores.values():
            assert len(values) == 4

"""Lists of photos and recorded steps: what is refused, with line and field."""

from __future__ import annotations

from pathlib import Path

import pytest

from legibility.containers import Stage
from legibility.errors import RowsError
from legibility.identify.step_effects import StepOutcome
from legibility.pipeline.session_manifest import (
    read_session_list,
    read_step_records,
    shots_of,
    step_records_csv,
)

HEADER = "photo,animal,ear,stage\n"


def listed(folder: Path, text: str) -> Path:
    for name in ("a.jpg", "b.jpg", "pen/c.jpg", "=d.jpg"):
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes(b"")
    path = folder / "list.csv"
    path.write_bytes(text.encode("utf-8"))
    return path


def test_photos_are_grouped_by_animal_in_the_order_of_the_list(tmp_path: Path) -> None:
    text = (
        "\ufeffphoto;session;ear;stage\r\na.jpg;X 1;L;\r\npen/c.jpg;Y;right;Lit from behind\r\n"
        "\r\n=d.jpg;X 1;left;cleaned\r\n"
    )
    found = read_session_list(listed(tmp_path, text))
    assert [name for name, _ in found.sessions] == ["X 1", "Y"]
    first, second = found.sessions[0][1]
    assert (first.path, first.ear, first.stage) == (tmp_path / "a.jpg", "left", Stage.AS_FOUND)
    assert (second.path.name, second.stage) == ("=d.jpg", Stage.CLEANED)
    assert found.sessions[1][1][0].stage is Stage.LIT_FROM_BEHIND


def test_columns_that_are_not_used_are_named(tmp_path: Path) -> None:
    found = read_session_list(listed(tmp_path, "photo,animal,weather\na.jpg,X,rain\n"))
    assert found.notices[0].endswith("columns not used: weather")


@pytest.mark.parametrize(
    ("row", "wanted"),
    [
        ("gone.jpg,X,,", r"line 2: photo: there is no file gone\.jpg"),
        (",X,,", "line 2: photo: is empty"),
        ("a.jpg,,,", "line 2: animal: is empty"),
        ("a.jpg,X,middle,", "line 2: ear: found 'middle'"),
        ("a.jpg,X,both,", "line 2: ear: found 'both'"),
        ("a.jpg,X,,shaved", "line 2: stage: found 'shaved'"),
        ("a.jpg,X,", "line 2: has 3 fields"),
        ("../outside.jpg,X,,", "line 2: photo: .*outside the folder"),
        ("link.jpg,X,,", "line 2: photo: .*outside the folder"),
        ("pen,X,,", "line 2: photo: there is no file pen"),
        ("a\x00.jpg,X,,", "line 2: "),
        ("a.jpg,X\x1b[31m,,", "line 2: animal: found 'X"),
        (f"a.jpg,{'x' * 500},,", "line 2: animal: found"),
        ("a.jpg,X,,\nb.jpg,Y,,\na.jpg,Y,,", "line 4: photo: .*listed for 'X' on line 2"),
    ],
)
def test_rows_that_cannot_be_used(tmp_path: Path, row: str, wanted: str) -> None:
    inside = tmp_path / "in"
    inside.mkdir()
    (tmp_path / "outside.jpg").write_bytes(b"")
    (inside / "link.jpg").symlink_to(tmp_path / "outside.jpg")
    with pytest.raises(RowsError, match=wanted) as caught:
        read_session_list(listed(inside, HEADER + row + "\n"))
    assert "list.csv" in str(caught.value)
    assert str(caught.value).isascii() or "\x1b" not in str(caught.value)
    assert "\x1b" not in str(caught.value)


def test_all_bad_rows_are_named_at_once(tmp_path: Path) -> None:
    text = HEADER + "gone.jpg,X,,\na.jpg,X,up,\nb.jpg,X,,bald\n"
    with pytest.raises(RowsError) as caught:
        read_session_list(listed(tmp_path, text))
    assert [f"line {n}" in str(caught.value) for n in (2, 3, 4)] == [True] * 3


def test_an_absolute_path_is_taken_at_its_word(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    outside = tmp_path / "far.jpg"
    outside.write_bytes(b"")
    found = read_session_list(listed(tmp_path / "in", f"{HEADER}{outside},X,,\n"))
    assert found.sessions[0][1][0].path == outside


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("photo,ear\na.jpg,left\n", "neither of the columns animal and session"),
        ("photo,animal,session\na.jpg,X,Y\n", "both of the columns"),
        ("animal,ear\nX,left\n", "expected a header with photo"),
        ("photo,photo,animal\na,a,X\n", "twice"),
        (HEADER, "no row below the header"),
        ("", "expected a header"),
    ],
)
def test_headers_that_cannot_be_used(tmp_path: Path, text: str, wanted: str) -> None:
    with pytest.raises(RowsError, match=wanted):
        read_session_list(listed(tmp_path, text))


def test_other_encodings_and_missing_files(tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_bytes("photo,animal\nä.jpg,X\n".encode("latin-1"))
    with pytest.raises(RowsError, match="UTF-8"):
        read_session_list(path)
    with pytest.raises(RowsError, match=r"gone\.csv"):
        read_session_list(tmp_path / "gone.csv")


def test_recorded_steps_come_back_as_they_were(tmp_path: Path) -> None:
    records = (
        (Stage.CLEANED, StepOutcome(0.25, 0.975, True)),
        (Stage.LIT_FROM_BEHIND, StepOutcome(0.5, 0.5)),
    )
    path = tmp_path / "steps.csv"
    path.write_text(step_records_csv(records), newline="")
    assert read_step_records(path) == records
    path.write_text("step;before;after\nother angle;0,5;0,75\n")
    assert read_step_records(path) == ((Stage.OTHER_ANGLE, StepOutcome(0.5, 0.75)),)


@pytest.mark.parametrize(
    ("row", "wanted"),
    [
        ("as found,0.5,0.6,no", "line 2: step: found 'as found'"),
        ("cleaned,50,0.6,no", "line 2: before: found '50'"),
        ("cleaned,0.5,nan,no", "line 2: after: found 'nan'"),
        ("cleaned,0.5,=1+1,no", "line 2: after: found '=1"),
        ("cleaned,0.5,0.6,maybe", "line 2: hair: found 'maybe'"),
    ],
)
def test_recorded_steps_that_cannot_be_used(tmp_path: Path, row: str, wanted: str) -> None:
    path = tmp_path / "steps.csv"
    path.write_text("step,before,after,hair\n" + row + "\n")
    with pytest.raises(RowsError, match=wanted):
        read_step_records(path)


def test_one_ear_or_stage_holds_for_all_photos() -> None:
    paths = [Path("a"), Path("b")]
    assert [s.stage for s in shots_of(paths, [], [])] == [Stage.AS_FOUND] * 2
    assert [s.ear for s in shots_of(paths, ["left"], [Stage.CLIPPED])] == ["left", "left"]
    with pytest.raises(ValueError, match="3 stages for 2 photos"):
        shots_of(paths, [], [Stage.CLEANED] * 3)

"""Second reader: parsing against recorded hOCR, and the program itself when it is installed."""

from __future__ import annotations

import os
import subprocess

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageDraw, ImageFont

from legibility.alphabet import CHARACTERS, N_CLASSES, index_of
from legibility.read import tesseract
from legibility.read.cells import CellBox
from legibility.read.tesseract import (
    SecondOpinion,
    SymbolOpinion,
    align,
    parse_hocr,
    read_row,
    symbol_weights,
)

# Written by tesseract 5.3.0 for a drawn "B2" (choices cut to three), unchanged but for the length.
RECORDED = b"""<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE html PUBLIC "-//W3C//DTD XHTML 1.0 Transitional//EN"
    "http://www.w3.org/TR/xhtml1/DTD/xhtml1-transitional.dtd">
<html xmlns="http://www.w3.org/1999/xhtml" xml:lang="en" lang="en">
 <head><title></title></head>
 <body>
  <div class='ocr_page' id='page_1' title='image "a.png"; bbox 0 0 400 64; ppageno 0'>
     <span class='ocr_line' id='line_1_1' title="bbox 21 19 187 48; baseline 0 0">
      <span class='ocrx_word' id='word_1_1' title='bbox 21 19 187 48; x_wconf 0'>
       <span class='ocrx_cinfo' title='x_bboxes 51 20 74 48; x_conf 99.033195'>B</span>
        <span class='ocrx_cinfo' id='lstm_choices_1_1_2'>
         <span class='ocrx_cinfo' id='choice_1_1_2' title='x_confs 15.055475'>B</span>
         <span class='ocrx_cinfo' id='choice_1_1_3' title='x_confs 0'>S</span>
        </span>
       <span class='ocrx_cinfo' title='x_bboxes 111 19 123 48; x_conf 94.198074'>2</span>
        <span class='ocrx_cinfo' id='lstm_choices_1_1_4'>
         <span class='ocrx_cinfo' id='choice_1_1_10' title='x_confs 92.283417'>2</span>
         <span class='ocrx_cinfo' id='choice_1_1_11' title='x_confs 77.095261'>Z</span>
         <span class='ocrx_cinfo' id='choice_1_1_12' title='x_confs 0'>7</span>
        </span>
      </span>
     </span>
  </div>
 </body>
</html>
"""


def _printed(text: str) -> np.ndarray:
    picture = Image.new("L", (40 + 40 * len(text), 64), 255)
    font = ImageFont.load_default(size=44)
    ImageDraw.Draw(picture).text((20, 6), text, fill=0, font=font)
    return np.asarray(picture)


def test_recorded_hocr_is_read_to_the_last_figure() -> None:
    opinion = parse_hocr(RECORDED, offset_px=10)
    assert opinion.text == "B2"
    assert opinion.asked
    first, second = opinion.symbols
    assert (first.left, first.right, first.confidence) == (41, 64, pytest.approx(0.99033195))
    assert second.alternatives == (
        ("2", pytest.approx(0.92283417)),
        ("Z", pytest.approx(0.77095261)),
        ("7", 0.0),
    )


def test_small_letters_count_as_capitals_and_signs_are_dropped() -> None:
    opinion = parse_hocr(RECORDED.replace(b">B<", b">b<").replace(b">2</span>", b">?</span>", 1))
    assert opinion.text == "B"
    assert opinion.symbols[0].alternatives[0][0] == "B"
    assert [name for name, _ in opinion.symbols[0].alternatives] == ["B", "S"]


@pytest.mark.parametrize(
    "hocr",
    [
        b"",
        b"<html",
        RECORDED[:900],
        # "Billion laughs", the entity expansion attack of CWE-776.
        b'<!DOCTYPE html [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><html>&b;</html>',
        b'<html xmlns="http://www.w3.org/1999/xhtml"><!ENTITY b "&a;">&b;</html>',
    ],
)
def test_broken_or_hostile_hocr_is_an_empty_opinion(hocr: bytes) -> None:
    assert parse_hocr(hocr) == SecondOpinion()


@given(st.binary(max_size=300))
def test_any_bytes_are_parsed_without_an_exception(data: bytes) -> None:
    assert parse_hocr(b"<html>" + data + b"</html>").symbols == ()


def test_cells_take_the_symbols_that_lie_in_them() -> None:
    opinion = parse_hocr(RECORDED)
    cells = [CellBox(x, 24, 32, 30) for x in (20.0, 62.0, 117.0)]
    logp = align(opinion, cells)
    assert logp.shape == (3, N_CLASSES)
    np.testing.assert_allclose(np.exp(logp).sum(axis=1), 1)
    np.testing.assert_allclose(logp[0], -np.log(37))  # nothing was seen there
    assert logp[1].argmax() == index_of("B")
    order = np.argsort(-logp[2])[:2]
    assert list(order) == [index_of("2"), index_of("Z")]
    # Between 2 and Z stand their own confidences; 2 has the symbol's besides.
    assert logp[2, index_of("Z")] > logp[2, index_of("7")] + 1


def test_a_symbol_over_two_cells_speaks_for_both() -> None:
    symbol = SymbolOpinion("W", 0.9, (("W", 0.9),), left=0, right=40)
    cells = [CellBox(10, 24, 32, 20), CellBox(30, 24, 32, 20), CellBox(90, 24, 32, 20)]
    logp = align(SecondOpinion("W", (symbol,), True), cells)
    assert logp[0].argmax() == logp[1].argmax() == index_of("W")
    assert np.ptp(logp[2]) == 0


confidences = st.floats(0, 1)
symbols = st.builds(
    SymbolOpinion,
    character=st.sampled_from(CHARACTERS),
    confidence=confidences,
    alternatives=st.lists(st.tuples(st.sampled_from(CHARACTERS), confidences), max_size=5).map(
        tuple
    ),
    left=st.floats(-50, 400),
    right=st.floats(-50, 400),
)


@given(st.lists(symbols, max_size=6))
def test_aligned_rows_are_finite_distributions_that_never_exclude(
    found: list[SymbolOpinion],
) -> None:
    cells = [CellBox(x, 24, 32, 30) for x in (30.0, 80.0, 300.0)]
    logp = align(SecondOpinion("", tuple(found), True), cells)
    assert np.all(np.isfinite(logp))
    np.testing.assert_allclose(np.exp(logp).sum(axis=1), 1)
    assert logp.min() >= np.log(tesseract.UNIFORM_SHARE / 37) - 1e-9
    assert all(symbol_weights(symbol).sum() <= 1 + 1e-9 for symbol in found)


def test_an_unsure_symbol_says_less_than_a_sure_one() -> None:
    cell = [CellBox(20, 24, 32, 30)]
    peaks = [
        align(
            SecondOpinion("A", (SymbolOpinion("A", c, (("A", c),), left=8, right=32),), True), cell
        ).max()
        for c in (0.1, 0.5, 0.95)
    ]
    assert peaks == sorted(peaks)
    assert peaks[0] < np.log(0.2)


def test_wrong_pictures_and_lists_are_refused() -> None:
    with pytest.raises(ValueError, match="uint8"):
        read_row(np.zeros((48, 384), np.float32))  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="uint8"):
        read_row(np.zeros((48, 384, 3), np.uint8))
    with pytest.raises(ValueError, match="no character of a mark"):
        read_row(np.zeros((48, 384), np.uint8), whitelist="AB -c debug_file=x")
    with pytest.raises(ValueError, match="seconds"):
        read_row(np.zeros((48, 384), np.uint8), timeout_s=0)


def test_without_the_program_the_opinion_is_empty(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pytesseract.pytesseract.tesseract_cmd", "no-such-program")
    tesseract.available.cache_clear()
    try:
        assert not tesseract.available()
        assert read_row(_printed("AB12")) == SecondOpinion()
    finally:
        tesseract.available.cache_clear()


def test_a_program_that_vanishes_or_hangs_gives_an_empty_opinion(
    monkeypatch: pytest.MonkeyPatch, tmp_path: object
) -> None:
    monkeypatch.setattr(tesseract, "available", lambda: True)
    monkeypatch.setattr("pytesseract.pytesseract.tesseract_cmd", "no-such-program")
    assert read_row(_printed("AB12")) == SecondOpinion()
    slow = os.path.join(str(tmp_path), "slow")
    with open(slow, "w", encoding="utf-8") as file:
        file.write("#!/bin/sh\nexec sleep 300\n")
    os.chmod(slow, 0o755)
    monkeypatch.setattr("pytesseract.pytesseract.tesseract_cmd", slow)
    assert read_row(_printed("AB12"), timeout_s=0.2) == SecondOpinion()


def test_the_program_runs_on_one_thread_and_the_environment_is_put_back(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    seen: list[str | None] = []

    def fake(*_: object, **__: object) -> bytes:
        seen.append(os.environ.get("OMP_THREAD_LIMIT"))
        return RECORDED

    monkeypatch.setattr(tesseract, "available", lambda: True)
    monkeypatch.setattr("pytesseract.image_to_pdf_or_hocr", fake)
    for before in (None, "3"):
        if before is None:
            monkeypatch.delenv("OMP_THREAD_LIMIT", raising=False)
        else:
            monkeypatch.setenv("OMP_THREAD_LIMIT", before)
        assert read_row(_printed("B2")).text == "B2"
        assert os.environ.get("OMP_THREAD_LIMIT") == before
    assert seen == ["1", "1"]


def test_printed_characters_are_read_where_they_stand() -> None:
    """Needs the program; without it the same call must say that nobody was asked."""
    picture = _printed("HKR274")
    opinion = read_row(picture, timeout_s=300)
    installed = True
    try:
        subprocess.run(["tesseract", "--version"], capture_output=True, check=True)
    except OSError:
        installed = False
    assert opinion.asked == installed == tesseract.available()
    if installed:
        assert opinion.text == "HKR274"
        dark = np.flatnonzero((picture < 128).any(axis=0))
        assert opinion.symbols[0].left == pytest.approx(dark[0], abs=3)
        assert opinion.symbols[-1].right == pytest.approx(dark[-1], abs=3)
        only_digits = read_row(_printed("8B0O"), whitelist="0123456789", timeout_s=300)
        assert set(only_digits.text) <= set("0123456789")


def test_an_empty_strip_says_nothing() -> None:
    assert read_row(np.full((48, 384), 255, np.uint8)).symbols == ()

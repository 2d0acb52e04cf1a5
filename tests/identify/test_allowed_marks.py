from __future__ import annotations

import numpy as np
import pytest

from legibility.containers import Decision, Reading
from legibility.identify.allowed_marks import BROKEN_RULES_SHARE, probable_allowed_marks
from legibility.identify.decision import identify
from legibility.identify.likelihood import registry_log_likelihood
from legibility.identify.marktable import build_mark_table
from legibility.identify.unregistered import unregistered_log_likelihood, unregistered_marks
from legibility.marks.rules import Form, Rules
from legibility.marks.space import iter_marks, log_share
from legibility.settings import Settings
from tests.identify.reading_builder import cell, random_cell, reading, sure

NEVER = Settings(p_swap=0.0, p_wrong_die=0.0, p_turned_die=0.0)


def posterior_one_by_one(seen: Reading, rules: Rules) -> dict[str, float]:
    """Oracle: Bayes' rule over every mark that the rules allow, one by one."""
    marks = list(iter_marks(rules))
    each = registry_log_likelihood(seen, build_mark_table(marks), settings=NEVER)
    shares = np.array([log_share(rules, mark) for mark in marks])
    assert np.exp(shares).sum() == pytest.approx(1.0)
    joint = np.exp(shares + each) * (1 - BROKEN_RULES_SHARE)
    other = BROKEN_RULES_SHARE * np.exp(unregistered_log_likelihood(seen, unregistered_marks()))
    return dict(zip(marks, (joint / (joint.sum() + other)).tolist(), strict=True))


@pytest.mark.parametrize(
    "rules",
    [
        Rules(characters="AB18", longest_row=2),
        Rules(forms=(Form(("[AB]{2}#",)), Form(("K[1-8]{1,2}",)), Form(("A", "##")))),
        Rules(year_letters="bif", forms=(Form(("[AB]#{year}",)),)),
        Rules(forms=(Form(("[AB][0-9]{check}",), check="mod-37-2"),)),
        Rules(forms=(Form(("[AB]", "#{check}"), check="mod-37-36"),)),
    ],
)
def test_probabilities_are_those_of_bayes_rule(rules: Rules) -> None:
    rng = np.random.default_rng(2)
    for seen in (
        reading([[random_cell(rng) for _ in range(3)]]),
        reading([[random_cell(rng)], [random_cell(rng), random_cell(rng)]]),
    ):
        wanted = posterior_one_by_one(seen, rules)
        got = probable_allowed_marks(seen, rules, count=500, exponent=1.0)
        for mark, logp in got:
            assert np.exp(logp) == pytest.approx(wanted[mark], rel=1e-9)
        cells = [len(row) for row in seen.hypotheses[0].rows]
        alike = [mark for mark in wanted if [len(row) for row in mark.split("/")] == cells]
        if alike:
            assert max(alike, key=wanted.__getitem__) in dict(got)


def test_rules_decide_between_lookalikes() -> None:
    # O and 0, I and 1 are drawn alike by many dies (common practice, no source).
    seen = reading([[cell({"O": 0.5, "0": 0.49}), cell({"I": 0.5, "1": 0.49})]])
    marks = []
    for form, mark in (("##", "01"), ("@@", "OI")):
        got = identify(seen, None, rules=Rules(forms=(Form((form,)),)))
        assert got.candidates[0].mark == mark
        assert got.candidates[0].probability > 0.9
        marks.append(mark)
    free = identify(seen, None)
    assert {candidate.mark for candidate in free.candidates} > set(marks)
    assert free.candidates[0].probability < 0.9


def test_a_mark_that_the_rules_forbid_gets_no_certainty() -> None:
    seen = sure("AB7", chance=0.999)
    got = identify(seen, None, rules=Rules(forms=(Form(("#@@",)),)))
    assert got.decision is not Decision.UNREGISTERED
    assert got.misread_risk > 0.9
    none = identify(seen, None, rules=Rules(forms=(Form(("#{5}",)),)))
    assert none.candidates == ()
    assert none.reason == "no mark that the rules allow fits"

"""Risk of a registry file: totals that add up, ages, shared marks, any executor."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from legibility.batch.herd_risk import registry_report
from legibility.batch.risk_report import RegistryReport
from legibility.errors import RegistryError, SettingsError
from legibility.identify.channel import channel_odds, channel_outcomes
from legibility.misreadings import AnimalRisk
from legibility.risk.explain import SAME_CHARACTERS, SAME_MARK
from legibility.risk.kernel import load_kernel
from legibility.risk.marks import mark_set
from legibility.risk.misreading import Channel, Errors, channel
from legibility.risk.risk import parts_of
from legibility.settings import Settings
from tests.risk.herds import all_pairs, cut, in_rows, layouts, random_marks


def registry(folder: Path, marks: list[str], years: bool = False) -> Path:
    lines = ["animal_id,mark" + (",birth_year" if years else "")]
    for i, mark in enumerate(marks):
        year = "," if years and i % 5 == 0 else f",{2000 + i % 20}" if years else ""
        lines.append(f"G{i:04d},{mark}{year}")
    path = folder / "herd.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def figures(report: RegistryReport) -> list[object]:
    return [*animals(report), report.totals()]


def animals(report: RegistryReport) -> list[AnimalRisk]:
    return [batch.record(at) for batch in report.columns() for at in range(len(batch))]


def test_probabilities_sum_to_one_and_risk_is_the_sum_over_all_pairs(tmp_path: Path) -> None:
    drawn = random_marks(150, seed=1, characters="BD8O06", lengths=(3, 4), two_rows=1.0)
    marks = list(dict.fromkeys(drawn))
    report = registry_report(registry(tmp_path, marks), condition="mild")
    herd = mark_set(marks)
    pairs = all_pairs(herd, herd, channel(load_kernel().at("mild")), 1e-4)
    for index, animal in enumerate(animals(report)):
        assert animal.mark == marks[index]
        total = animal.right + animal.risk + animal.unregistered + animal.unread
        assert total == pytest.approx(1.0)
        number = int(herd.of_given[index])
        own = sorted((p for (a, _), p in pairs.items() if a == number), reverse=True)
        assert animal.risk == pytest.approx(sum(own))
        assert [r.probability for r in animal.rivals] == pytest.approx(own[:20])
    totals = report.totals()
    assert totals.pairs == len(pairs)
    watched = totals.pairs_to_watch
    both = [pair.there + pair.back for pair in watched]
    assert both == sorted(both, reverse=True)
    assert all(pair.there >= pair.back for pair in watched)
    best = max(pairs[a, b] + pairs.get((b, a), 0.0) for a, b in pairs)
    assert both[0] == pytest.approx(best)


def test_risk_is_the_sum_over_all_readings_in_all_layouts(tmp_path: Path) -> None:
    marks = ["HD78", "HD/78", "H/D78", "HD7/B", "HD7B", "D8", "HD", "78/HD", "7/8H", "78H", "HD78"]
    marks += ["A/AA", "AAA", "D7/8"]
    errors = Errors(Settings().p_swap, Settings().p_wrong_die, Settings().p_turned_die)
    ch = channel(load_kernel().at("mild"), errors)
    report = registry_report(registry(tmp_path, marks), condition="mild", least=1e-15)
    strings = {mark.replace("/", "") for mark in marks}
    for index, animal in enumerate(animals(report)):
        expected = np.zeros(len(marks))
        open_record = "/" not in animal.mark
        for string, at in ((s, at) for s in sorted(strings) for at in range(len(s))):
            read = f"{string[:at]}/{string[at:]}" if at else string
            ends = [
                k
                for k, mark in enumerate(marks)
                if (mark.replace("/", "") == string if open_record else mark in (string, read))
            ]
            if ends:
                expected[ends] += reading_in_rows(animal.mark, read, ch) / len(ends)
        assert animal.right == pytest.approx(expected[index], rel=1e-6)
        assert animal.risk == pytest.approx(expected.sum() - expected[index], rel=1e-6)
        listed = {rival.animal_id: rival.probability for rival in animal.rivals}
        for k in np.flatnonzero(expected > 1e-8):
            if k != index:
                assert listed[f"G{k:04d}"] == pytest.approx(expected[k], rel=1e-5, abs=1e-9)
        rest = animal.unregistered + animal.unread
        assert animal.right + animal.risk + rest == pytest.approx(1.0)
    words = {r.animal_id: r.mechanism for r in report.animal(0).rivals}
    assert words["G0010"] == SAME_MARK
    assert words["G0001"] == words["G0002"] == SAME_CHARACTERS
    (same, *_) = [n for n in report.totals().notices if "by characters alone" in n and "HD78" in n]
    assert all(f"(G{k:04d})" in same for k in (0, 1, 2))


def reading_in_rows(record: str, read: str, ch: Channel) -> float:
    """p(these characters in just these rows | record), by the layouts in which it may stand."""
    settings = Settings()
    total = 0.0
    stands = layouts(record)
    for pressed, likely in channel_outcomes(record, odds=channel_odds(settings)).items():
        for at in stands:
            total += likely * in_rows(cut(pressed, at), read, ch) / len(stands)
    return total


def test_animals_that_share_a_mark_cannot_be_told_apart(tmp_path: Path) -> None:
    report = registry_report(registry(tmp_path, ["K417", "K417", "K417", "ZZ99"]), condition="new")
    first = report.animal(0)
    assert first.risk > first.right > 0
    assert first.risk / 2 == pytest.approx(first.right)
    assert [r.mechanism for r in first.rivals] == [SAME_MARK, SAME_MARK]
    assert {r.animal_id for r in first.rivals} == {"G0001", "G0002"}
    assert report.animal(3).risk < 0.01
    assert report.totals().shared_marks == 3


def test_marks_of_second_ears_are_said_to_be_left_out(tmp_path: Path) -> None:
    path = tmp_path / "herd.csv"
    path.write_text("animal_id,left_mark,right_mark\n1,HD700,BW10\n2,HD713,BW10\n3,,HD726\n")
    first = registry_report(path).totals().notices[0]
    assert first.startswith("the marks in the right ears of 2 animals that have another one in the")
    path.write_text("animal_id,left_mark,right_mark\n1,HD700,HD700\n2,HD713,\n3,,HD726\n")
    assert registry_report(path).totals().notices == ()


def test_however_many_at_a_time_the_same_is_listed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    marks = random_marks(150, seed=6, characters="BD8O06", lengths=(2, 3, 4))
    report = registry_report(registry(tmp_path, [*marks, *marks[:40], *marks[:30]]))
    whole = animals(report)
    monkeypatch.setattr("legibility.batch.risk_report.AT_A_TIME", 7)
    assert animals(report) == whole
    assert [report.animal(index) for index in range(len(report))] == whole
    few = [batch.record(at) for batch in report.columns(most=2) for at in range(len(batch))]
    assert [a.rivals for a in few] == [a.rivals[:2] for a in whole]
    for animal in whole:
        listed = [rival.probability for rival in animal.rivals]
        assert listed == sorted(listed, reverse=True)
        assert len({rival.animal_id for rival in animal.rivals} | {animal.animal_id}) == 1 + len(
            listed
        )
        assert all(rival.mechanism for rival in animal.rivals)


def test_older_animals_are_read_worse(tmp_path: Path) -> None:
    (tmp_path / "age.toml").write_text("years = [0, 10, 20]\ngrades = [4, 2, 1]\n", "utf-8")
    marks = list(dict.fromkeys(random_marks(60, seed=2, two_rows=0.0)))
    path = registry(tmp_path, marks, years=True)
    report = registry_report(path, age_model=tmp_path / "age.toml", year=2020, condition="1.5")
    born = report.registry.birth_years
    by_hand = np.interp(2020 - born.astype(float), [0, 10, 20], [4, 2, 1])
    for index, animal in enumerate(animals(report)):
        expected = 1.5 if born[index] == 0 else round(2 * by_hand[index]) / 2
        assert animal.grade == pytest.approx(expected)
    alone = registry_report(path, condition=str(report.animal(1).grade))
    assert report.animal(1).right == pytest.approx(alone.animal(1).right)
    assert "without a birth year" in report.totals().condition


@pytest.mark.parametrize(
    "text",
    [
        "years = [0, 5]\n",
        "years = [5, 0]\ngrades = [4, 2]\n",
        "years = [0]\ngrades = [9]\n",
        "x = 1\n",
    ],
)
def test_age_models_that_cannot_be_used(text: str, tmp_path: Path) -> None:
    (tmp_path / "age.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=r"age\.toml"):
        registry_report(registry(tmp_path, ["K417"]), age_model=tmp_path / "age.toml")


def test_rules_are_checked_and_used(tmp_path: Path) -> None:
    (tmp_path / "rules.toml").write_text('characters = "K0123456789"\nmax_rows = 1\n', "utf-8")
    path = registry(tmp_path, ["K417", "K471"])
    free = registry_report(path).animal(0)
    kept = registry_report(path, rules=tmp_path / "rules.toml").animal(0)
    assert kept.unregistered < free.unregistered
    # Marks of one row only: none of two is overlooked.
    assert kept.right > free.right
    with pytest.raises(RegistryError, match="line 2"):
        registry_report(registry(tmp_path, ["Z417"]), rules=tmp_path / "rules.toml")


def test_own_readings_change_the_figures_and_are_named(tmp_path: Path) -> None:
    (tmp_path / "own.csv").write_text("true,read,count\n7,1,200\n7,7,200\n", encoding="utf-8")
    path = registry(tmp_path, ["K417", "K411"])
    before = registry_report(path).animal(0)
    after = registry_report(path, counts=tmp_path / "own.csv")
    assert after.animal(0).risk > 2 * before.risk
    assert "400 own readings" in after.totals().kernel
    assert "effective sample 50 to 450" in after.totals().kernel


def test_parts_put_together_are_the_whole() -> None:
    herd = mark_set(random_marks(100, seed=3))
    wanted = [np.arange(0, len(herd), 2), np.arange(1, len(herd), 2)]
    parts = list(parts_of(herd, wanted, size=7))
    assert max(len(part.ids) for part in parts) <= 7
    for level in (0, 1):
        ids = np.concatenate([part.ids for part in parts if part.level == level])
        assert sorted(ids.tolist()) == wanted[level].tolist()


def test_several_processes_give_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = registry(tmp_path, random_marks(80, seed=4, characters="BD8O06"))
    alone = figures(registry_report(path))
    monkeypatch.setattr("legibility.batch.herd_risk.MARKS_FOR_A_POOL", 1)
    assert figures(registry_report(path, jobs=2)) == alone


# As in test_results: Dask closes its sockets and threads late.
@pytest.mark.usefixtures("closed_late")
@pytest.mark.filterwarnings("default")
def test_the_same_through_a_dask_cluster(tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed")
    path = registry(tmp_path, random_marks(80, seed=4, characters="BD8O06"))
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None
    ) as cluster:
        there = figures(registry_report(path, scheduler=cluster.scheduler_address))
    assert there == figures(registry_report(path))

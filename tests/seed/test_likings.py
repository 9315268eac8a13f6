"""What the players of the demo world like follows what they say, and their sheets are those of people, not of a formula."""

from collections import defaultdict

import numpy as np
import pytest
from scipy import stats

from model.domain.arrays import Floats
from seed_data.catalogue import CRITERIA
from seed_data.characters import CHARACTERS
from seed_data.make import Drawn, draw
from seed_data.nature import PRICE_SAYS_LITTLE
from seed_data.tables import as_csv

Table = list[dict[str, str]]
ORDER_WEIGHTS = {1: (1.0,), 2: (0.75, 0.25), 3: (11 / 18, 5 / 18, 2 / 18)}
"""Rank-order-centroid weights (Barron & Barrett 1996)."""


@pytest.fixture(scope="module")
def other() -> Drawn:
    return draw(7, PRICE_SAYS_LITTLE)


def said(tables: Table, column: str) -> dict[str, str]:
    return {row["player"]: row[column] for row in tables}


def centred(drawn: Drawn, player: int) -> Floats:
    """True likings of the copies that fit, each criterion less its mean over them, (copies, 8)."""
    likings = drawn.liking_by_criterion[player]
    fitting = likings[~np.isnan(likings[:, 0])]
    return np.asarray(fitting - fitting.mean(axis=0))


def test_what_a_player_names_counts_for_more_in_the_overall_liking(drawn: Drawn, files: dict[str, Table]) -> None:
    named = said(files["runs"], "priorities")
    rows = []
    for place, player in enumerate(drawn.players):
        priorities = named[player].split()
        if priorities:
            lean = np.full(7, -1 / 7)
            for name, weight in zip(priorities, ORDER_WEIGHTS[len(priorities)], strict=True):
                lean[CRITERIA.index(name) - 1] += weight
            likings = centred(drawn, place)
            rows.append(np.column_stack([likings[:, 0], likings[:, 1:] @ lean, likings[:, 1:].mean(axis=1)]))
    table = np.concatenate(rows)
    slope, _ = np.linalg.lstsq(table[:, 1:], table[:, 0], rcond=None)[0]
    assert 0.22 < slope < 0.5


@pytest.mark.parametrize(
    ("wish", "quantity", "least"), [("wish_mass", "mass_g", 0.2), ("wish_tone", "speed_of_sound_m_s", 0.2)]
)
def test_who_wishes_for_more_of_a_trait_likes_bows_better_that_have_more(
    drawn: Drawn, files: dict[str, Table], wish: str, quantity: str, least: float
) -> None:
    told = said(files["runs"], wish)
    measured = np.array([float(copy[quantity] or "nan") for copy in files["copies"]])
    slopes: dict[str, list[float]] = defaultdict(list)
    for place, player in enumerate(drawn.players):
        here = ~np.isnan(drawn.liking[place]) & ~np.isnan(measured)
        trait = stats.zscore(measured[here])
        slopes[told[player]].append(float(np.polyfit(trait, drawn.liking[place, here], 1)[0]))
    less, neither, more = (float(np.mean(slopes[way])) for way in ("-1", "0", "1"))
    assert less + least < more
    assert less < neither < more


def repeats(trials: dict[str, Table]) -> list[tuple[dict[str, str], dict[str, str]]]:
    """Both sheets of every bow that was played twice in one trial."""
    pairs = []
    for rows in trials.values():
        sheets: dict[str, Table] = defaultdict(list)
        for row in rows:
            sheets[row["copy"]].append(row)
        pairs += [(found[0], found[1]) for found in sheets.values() if len(found) > 1]
    return pairs


def test_the_marks_of_one_sheet_go_up_and_down_together(trials: dict[str, Table]) -> None:
    changes = [
        (int(second["overall"]) - int(first["overall"]), int(second[name]) - int(first[name]))
        for first, second in repeats(trials)
        for name in CRITERIA[1:]
        if first[name].isdigit() and second[name].isdigit()
    ]
    # The same bow, the same player, the same hour: what moves the overall mark moves the others (a halo).
    assert stats.pearsonr(*np.array(changes).T).statistic > 0.45


def test_now_and_then_a_mark_is_far_off(trials: dict[str, Table]) -> None:
    changes = np.array([int(second["overall"]) - int(first["overall"]) for first, second in repeats(trials)])
    assert stats.kurtosis(changes) > 1.5  # 0 for the normal law
    assert np.std(changes) / np.sqrt(2) == pytest.approx(0.75, abs=0.06)


def test_every_tier_has_words_of_its_own_from_its_maker(files: dict[str, Table]) -> None:
    notes = [tier["note"] for tier in files["tiers"]]
    assert len(set(notes)) == len(notes) == 21
    assert all(25 < len(note) < 90 and not note.endswith(".") for note in notes)


def test_tiers_are_about_what_their_maker_meant_and_not_just_that(drawn: Drawn, files: dict[str, Table]) -> None:
    tier_of = np.array([copy["tier"] for copy in files["copies"]])
    common = np.nanmean(drawn.liking_by_criterion, axis=0)  # over players, (copies, 8)
    meant, came = [], []
    for tier, character in CHARACTERS.items():
        profile = common[tier_of == tier].mean(axis=0)[1:]
        others = {t["tier"] for t in files["tiers"] if t["instrument"] == _instrument(files, tier)}
        usual = common[np.isin(tier_of, list(others))].mean(axis=0)[1:]
        unusual = profile - usual
        came += list(unusual - unusual.mean())
        meant += [character.meant.get(name, 0.0) for name in CRITERIA[1:]]
    assert 0.5 < stats.pearsonr(meant, came).statistic < 0.95


def _instrument(files: dict[str, Table], slug: str) -> str:
    return next(tier["instrument"] for tier in files["tiers"] if tier["tier"] == slug)


def worth_of_a_grade(drawn: Drawn) -> float:
    """Points by which the truly liked overall rises with each grade of an instrument's range, over all players."""
    grade = {row["tier"]: float(row["grade"]) for row in drawn.tables["tiers"]}
    grades = np.array([grade[str(row["tier"])] for row in drawn.tables["copies"]])
    slopes = [np.polyfit(grades[fits], row[fits], 1)[0] for row in drawn.liking for fits in [~np.isnan(row)]]
    return float(np.mean(slopes))


def test_there_is_another_world_in_which_price_says_little(drawn: Drawn, other: Drawn) -> None:
    assert worth_of_a_grade(drawn) > 0.12
    assert abs(worth_of_a_grade(other)) < worth_of_a_grade(drawn) / 3
    # And yet there is as much to choose: a player's copies differ by half a point and more.
    assert np.nanmean(np.nanstd(other.liking, axis=1)) > 0.45


def test_the_truth_of_another_world_is_asked_for_alike(other: Drawn) -> None:
    known = other.true_liking("P0003")
    assert len(known) > 20
    assert all(1 <= value <= 7 for value in known.values())
    assert other.true_own_liking("P0003") == other.own_liking[2]
    with pytest.raises(KeyError, match="P9999"):
        other.true_own_liking("P9999")
    again = draw(7, PRICE_SAYS_LITTLE)
    np.testing.assert_array_equal(again.liking, other.liking)
    assert as_csv("runs", again.tables["runs"]) == as_csv("runs", other.tables["runs"])

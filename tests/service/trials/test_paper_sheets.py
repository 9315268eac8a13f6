"""Paper sheets typed in at the desk: counted like a screen's, with who typed them, correctable, nothing of them lost."""

import datetime as dt
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from service import tables
from service.trials import desk_reads, lifecycle, strokes
from tests.service import desk_shop, trial_cast
from tests.service.cast import DEALER
from tests.service.desk_shop import Shop, send
from tests.service.page import Page

TODAY = dt.datetime.now(dt.UTC).date()


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    """A shop with its adviser signed in."""
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


def typed(shop: Shop, key: str, rater: str = "player", **fields: str) -> Page:
    page = shop.adviser.read(f"/desk/trials/{key}/paper?rater={rater}")
    return send(shop.adviser, page, "/paper", **{name: [text] for name, text in fields.items()})


def kept(shop: Shop, key: str) -> list[Any]:
    with shop.desk.database.reading() as session:
        return [
            (sheet.position, sheet.revision, dict(sheet.ratings), sheet.flags, sheet.counts)
            for sheet in desk_reads.trial(session, DEALER, key).sheets
        ]


def runs(shop: Shop, key: str) -> list[tuple[int, int | None, str]]:
    with shop.desk.database.reading() as session:
        newest = (
            select(tables.Run)
            .join(tables.Trial, tables.Run.trial == tables.Trial.id)
            .where(tables.Trial.key == key, tables.newest_run())
            .order_by(tables.Run.position)
        )
        return [(run.position, run.overall, run.cannot_tell) for run in session.scalars(newest)]


def test_what_is_typed_counts_like_a_screens_and_says_who_typed_it(shop: Shop) -> None:
    key = shop.opened()
    page = typed(shop, key, **{"1.overall": "6", "1.response": "?", "2.overall": "3", "2.note": "hisses"})
    assert "2 sheets of paper are kept." in page.text
    assert runs(shop, key) == [(1, 6, "response"), (2, 3, "")]
    sheets_told = page.by_id("sheets").text
    assert "Player, from paper, typed in by " in sheets_told
    assert "‘hisses’" in sheets_told
    again = shop.adviser.read(f"/desk/trials/{key}/paper")
    assert [again.by_id(name).get("value") for name in ("1.overall", "1.response", "2.note")] == ["6", "?", "hisses"]


def test_every_letter_of_the_trial_has_its_line_and_the_listener_a_screen_of_their_own(shop: Shop) -> None:
    key = shop.opened()
    with shop.desk.database.reading() as session:
        slots = desk_reads.trial(session, DEALER, key).slots
    page = shop.adviser.read(f"/desk/trials/{key}/paper?rater=listener")
    letters = [e.get("value") for e in page.all("input") if e.get("name").startswith("letter.")]
    assert letters == [*(slot.letter for slot in slots), ""]
    typed(shop, key, "listener", **{"1.carrying": "7"})
    assert kept(shop, key) == [(1, 1, {"carrying": 7}, "", True)]


def test_typed_again_it_is_corrected_and_the_same_again_changes_nothing(shop: Shop) -> None:
    key = shop.opened()
    typed(shop, key, **{"1.overall": "6"})
    assert "Nothing new was typed" in typed(shop, key).text
    typed(shop, key, **{"1.overall": "5"})
    assert [(revision, ratings["overall"]) for _p, revision, ratings, _f, _c in kept(shop, key)] == [(1, 6), (2, 5)]
    assert runs(shop, key) == [(1, 5, "")]


def test_where_a_screen_sent_other_marks_both_are_kept_and_staff_choose(shop: Shop) -> None:
    key = shop.opened()
    shop.rate(key, [4, 4])
    page = typed(shop, key, **{"1.overall": "6", "2.overall": "4"})
    assert "One sheet of paper is kept." in page.text, "the second says what the screen said"
    assert "does not count until you choose it" in page.text
    assert runs(shop, key) == [(1, 4, "clarity"), (2, 4, "clarity")]
    assert len(kept(shop, key)) == 3
    assert "A screen sent this one too, overall 4." in shop.adviser.read(f"/desk/trials/{key}/paper").text


@pytest.mark.parametrize("mark", ["8", "0", "x", "٣"])
def test_what_is_no_mark_is_said_at_its_bow_and_nothing_is_lost_or_kept(shop: Shop, mark: str) -> None:
    key = shop.opened()
    page = typed(shop, key, **{"1.overall": "6", "2.overall": mark})
    assert page.status == 422
    assert "expected 1 to 7, or ? where it could not be told" in page.of_class("faults")[0].text
    assert page.by_id("1.overall").get("value") == "6"
    assert page.by_id("2.overall").get("aria-invalid") == "true"
    assert kept(shop, key) == []


def test_a_letter_that_is_not_in_the_trial_is_kept_and_does_not_count(shop: Shop) -> None:
    key = shop.opened()
    page = typed(shop, key, **{"letter.other": "QQ", "other.overall": "7"})
    assert "Its letter is not one of this trial." in page.text
    assert [(ratings, flags, counts) for _p, _r, ratings, flags, counts in kept(shop, key)] == [
        ({"overall": 7}, "unknown_letter", False)
    ]
    assert runs(shop, key) == []
    nameless = typed(shop, key, **{"other.overall": "7"})
    assert "Say which letter stands on this sheet." in nameless.of_class("faults")[0].text


def test_a_sheet_of_a_cancelled_trial_is_kept_with_clear_words(shop: Shop) -> None:
    key = shop.opened()
    shop.adviser.post(f"/desk/trials/{key}/cancel")
    assert "its sheets are kept, but do not count" in shop.adviser.read(f"/desk/trials/{key}/paper").text
    assert "came after the trial was cancelled" in typed(shop, key, **{"1.overall": "6"}).text
    assert [(flags, counts) for *_, flags, counts in kept(shop, key)] == [("cancelled", False)]


def test_a_sheet_of_the_day_counts_though_the_key_was_revealed_since(shop: Shop) -> None:
    key = shop.opened()
    with shop.desk.database.writing() as session:
        lifecycle.reveal(session, shop.desk.ids["adviser"], DEALER, key)
    typed(shop, key, **{"1.overall": "6"})
    assert runs(shop, key) == [(1, 6, "")]


@pytest.mark.parametrize(("days", "said"), [(-1, "This is before the trial"), (3, "This day is still to come")])
def test_a_day_that_cannot_be_is_refused(shop: Shop, days: int, said: str) -> None:
    key = shop.opened()
    page = typed(shop, key, **{"on": (TODAY + dt.timedelta(days=days)).isoformat(), "1.overall": "6"})
    assert said in page.of_class("faults")[0].text
    assert kept(shop, key) == []


def test_letters_drawn_anew_meanwhile_keep_marks_from_another_bow(shop: Shop) -> None:
    key = shop.opened()
    page = shop.adviser.read(f"/desk/trials/{key}/paper")
    with shop.desk.database.writing() as session:
        slot = next(slot for slot in trial_cast.slots(session, key) if slot.letter)
        position, slot.letter = slot.position, "ZZ"
    refused = send(shop.adviser, page, "/paper", **{f"{position}.overall": ["6"]})
    assert refused.status == 409
    assert "look at the letters again" in refused.of_class("notice")[0].text
    assert kept(shop, key) == []


def test_before_it_begins_there_is_nothing_to_type_in(shop: Shop) -> None:
    key = shop.compose()
    assert shop.adviser.read(f"/desk/trials/{key}/paper").status == 409


def test_strokes_on_paper_come_to_what_a_screen_sent_and_are_typed_in_the_printed_order(shop: Shop) -> None:
    key = shop.opened()
    shop.rate(key, [6])
    printed = shop.adviser.read(f"/desk/trials/{key}/print/sheet").text
    with shop.desk.database.reading() as session:
        letter = desk_reads.trial(session, DEALER, key).slots[0].letter
    drawn = strokes.order(key, 1, letter)
    assert " ".join(str(each + 1) for each in drawn) in " ".join(printed.split())
    assert "1 sheet" not in typed(shop, key, **{"1.strokes": "20000001"}).text
    marks = dict(zip(drawn, "20000001", strict=True))
    with shop.desk.database.reading() as session:
        newest = select(tables.Run).join(tables.Trial).where(tables.Trial.key == key, tables.newest_run())
        (run,) = session.scalars(newest)
    assert run.strokes == " ".join(marks[place] for place in range(8))
    assert (run.overall, run.clean_strokes) == (6, 6)
    assert [(flags, counts) for _p, _r, _m, flags, counts in kept(shop, key)][-1][1], "nothing is left to choose"
    assert shop.adviser.read(f"/desk/trials/{key}/paper").by_id("1.strokes").get("value") == "20000001"


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("000000000", "Got 9 marks; there are eight strokes"),
        ("00x", "expected 0 clean, 1 noisy, 2 broken"),
    ],
)
def test_a_ninth_stroke_and_an_unknown_mark_on_paper_are_refused_with_all_that_was_typed(
    shop: Shop, given: str, said: str
) -> None:
    key = shop.opened()
    page = typed(shop, key, **{"1.strokes": given, "2.overall": "4"})
    assert said in page.text
    assert page.by_id("1.strokes").get("value") == given
    assert kept(shop, key) == []

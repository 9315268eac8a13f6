"""A player's page: tastes told only where marks tell them, every bow beside the own one, and one note that two people may change."""

import datetime as dt
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service import tables
from service.core import audit
from service.core.scopes import OneDealer
from service.players import player_notes
from service.trials import bow_marks
from tests.service import desk_shop
from tests.service.cast import DEALER
from tests.service.desk_shop import CLARA, Shop, form_to
from tests.service.page import Page

BOWS = tuple(f"DB-{tier}-{number}" for tier in ("bramble", "juniper") for number in range(4))


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


def from_file(session: Session, key: str, marks: Sequence[tuple[str | None, int, int | None]], **more: Any) -> None:
    """Put a player's trial into the database as a file brings it: bow, mark as a whole, mark for the response."""
    player = tables.Player(key=key, **more)
    session.add(player)
    session.flush()
    of = {"instrument": "double_bass", "hold": "german", "dealer": DEALER, "on": dt.date(2026, 3, 2)}
    trial = tables.Trial(key=f"T-{key}", player=player.id, **of)
    session.add(trial)
    session.flush()
    for position, (bow, overall, response) in enumerate(marks, 1):
        rated = {"overall": overall, "response": response, "tone": overall}
        session.add(tables.Run(trial=trial.id, position=position, copy=bow, **rated))
    bow_marks.of_trials(session, [trial.id])


def of_trial(shop: Shop, trial: str) -> str:
    with shop.desk.database.reading() as session:
        theirs = select(tables.Player.key).join(tables.Trial, tables.Trial.player == tables.Player.id)
        return session.scalars(theirs.where(tables.Trial.key == trial)).one()


def cells(page: Page, name: str) -> list[str]:
    return [e.text.strip() for e in page.all("td") if e.get("data-name") == name]


def test_what_sets_a_player_apart_is_told_and_chance_is_not(shop: Shop) -> None:
    plain = [(bow, 4, 4) for bow in BOWS]
    with shop.desk.database.writing() as session:
        from_file(session, "P-one", plain)
        from_file(session, "P-two", plain)
        # Three points more for the response than others gave, and the same for the rest.
        from_file(session, "P-fond", [(None, 4, 4), *((bow, 4, 7) for bow in BOWS)])
        # As far apart on three bows only, and by no more than a point on eight.
        from_file(session, "P-few", [(bow, 4, 7) for bow in BOWS[:3]])
        from_file(session, "P-plain", [(bow, 4, 5) for bow in BOWS])
    told = {name: shop.adviser.read(f"/desk/players/P-{name}").text for name in ("fond", "few", "plain")}
    praises = "Of the same bows they praise this more than others do: response."
    assert {name: praises in text for name, text in told.items()} == {"fond": True, "few": False, "plain": False}
    assert "Little stands behind this: 1 trial, three bows marked." in told["few"]
    assert "Nothing so far sets their marks apart" in told["plain"]
    assert "praise this less" not in told["fond"]
    assert "%" not in told["fond"]


def test_marks_that_serve_their_own_trial_only_tell_of_nobody_elses_tastes(shop: Shop) -> None:
    fond = [(bow, 4, 7) for bow in BOWS]
    with shop.desk.database.writing() as session:
        for name in ("one", "two"):
            from_file(session, f"P-{name}", [(bow, 4, 4) for bow in BOWS], in_model=False)
        from_file(session, "P-fond", fond)
        from_file(session, "P-shut", fond, in_model=False)
    text = shop.adviser.read("/desk/players/P-fond").text
    assert "they praise this" not in text, "two who said no are nobody to be compared with"
    shut = shop.adviser.read("/desk/players/P-shut")
    assert "they serve their own trial only" in shut.text
    assert cells(shut, "As a whole") == []


def test_who_played_a_bow_several_times_is_one_other_and_not_two(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        # One other gave the response a mark twice for every bow; the second other marked the whole alone.
        from_file(session, "P-often", [(bow, 4, 4) for bow in BOWS for _ in range(2)])
        from_file(session, "P-whole", [(bow, 4, None) for bow in BOWS])
        from_file(session, "P-fond", [(bow, 4, 7) for bow in BOWS])
    assert "they praise this" not in shop.adviser.read("/desk/players/P-fond").text


def test_every_bow_stands_beside_the_own_one_and_files_count_too(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        from_file(session, "P-file", [(None, 4, 3), ("DB-bramble-1", 6, 5), ("DB-juniper-0", 3, 2)])
    page = shop.adviser.read("/desk/players/P-file")
    assert cells(page, "As a whole") == ["4", "6", "3"]
    assert cells(page, "Against the own bow") == ["–", "+2", "\u22121"]
    assert "Liked better than the own bow: 1 of 2." in page.text
    assert "/desk/stock/DB-bramble-1" in [e.get("href") for e in page.all("a")]


def test_consents_are_told_with_their_day_and_in_the_words_that_were_read(shop: Shop) -> None:
    consent = {"advice": True, "mail": True, "model": True}
    enquiry = shop.enquire(contact=CLARA | {"consent": consent}, language="de")
    with shop.desk.database.writing() as session:
        session.get_one(tables.Enquiry, enquiry).language = "de"
    page = shop.adviser.read(f"/desk/players/{of_trial(shop, shop.compose(enquiry=enquiry, model_consent=None))}")
    agreed = next(e for e in page.all("section") if e.get("aria-labelledby") == "agreed-title").text
    assert agreed.count("On the form: “") == 3
    assert "ohne meinen Namen" in agreed


def test_next_comes_what_waits_and_the_timeline_tells_all(shop: Shop) -> None:
    enquiry = shop.enquire()
    trial = shop.compose(enquiry=enquiry, model_consent=None)
    key = of_trial(shop, trial)
    shop.adviser.post(f"/desk/trials/{trial}/open")
    page = shop.adviser.read(f"/desk/players/{key}")
    assert "See how it stands" in page.text
    shop.adviser.post(f"/desk/trials/{trial}/outcome", {"what": "none price", "sure": "yes"})
    page = shop.adviser.read(f"/desk/players/{key}")
    assert [e.get("id") for e in page.all("h2") if e.get("id") == "next-title"] == []
    time = next(e for e in page.all("section") if e.get("aria-labelledby") == "time-title").text
    at = [time.find(each) for each in ("Nothing kept", "Trial 1", "Enquiry")]
    assert -1 < at[0] < at[1] < at[2], time


# The note


def test_a_note_is_changed_in_place_and_on_record(shop: Shop) -> None:
    key = of_trial(shop, shop.compose(contact=CLARA))
    path = f"/desk/players/{key}"
    page = desk_shop.send(shop.adviser, shop.adviser.read(path), "/note", note="Plays in a quartet.\r\nLight hand.")
    assert "The note is kept." in page.text
    page = desk_shop.send(shop.adviser, page, "/note", note="Light hand.")
    assert [e.text.strip() for e in page.all("textarea")] == ["Light hand."]
    page = desk_shop.send(shop.adviser, page, "/note", note=" ")
    assert "The note is empty now." in page.text
    with shop.desk.database.reading() as session:
        assert session.scalars(select(tables.PlayerNote)).all() == []
        done = [each for each in audit.entries(session, OneDealer(DEALER)).rows if each.about == f"player {key}"]
    assert [each.did for each in done] == ["changed the note on a player"] * 3
    assert "hand" not in str(done), "the record says that it was changed, not what it says"


def test_two_people_at_one_note_are_told_and_nothing_is_lost(shop: Shop) -> None:
    path = f"/desk/players/{of_trial(shop, shop.compose(contact=CLARA))}"
    before = shop.adviser.read(path)
    owner = shop.desk.sign_in("owner")
    desk_shop.send(owner, owner.read(path), "/note", note="From the owner")
    refused = desk_shop.send(shop.adviser, before, "/note", note="From the adviser")
    assert refused.status == 409
    assert "Somebody else changed this note meanwhile" in refused.text
    assert [e.text.strip() for e in refused.all("textarea")] == ["From the adviser"]
    assert [e.text.strip() for e in refused.of_class("note")] == ["From the owner"]
    # The form of that page was filled in beside theirs, so it may be sent.
    assert "The note is kept." in desk_shop.send(shop.adviser, refused, "/note", note="From both").text


def test_a_note_is_bounded_and_one_dealers_own(shop: Shop) -> None:
    path = f"/desk/players/{of_trial(shop, shop.compose(contact=CLARA))}"
    page = shop.adviser.read(path)
    long = desk_shop.send(shop.adviser, page, "/note", note="x" * (player_notes.LONGEST + 1))
    assert (long.status, "a note has 2,000 at most" in long.text) == (422, True)
    assert len(form_to(long, "/note").text) >= player_notes.LONGEST
    assert shop.desk.sign_in("stranger").post(f"{path}/note", {"note": "x"}).status_code == 404
    assert shop.desk.sign_in("workshop").post(f"{path}/note", {"note": "x"}).status_code == 403
    with shop.desk.database.reading() as session:
        assert session.scalars(select(tables.PlayerNote)).all() == []


def test_the_notes_of_two_keys_that_are_one_person_are_one(shop: Shop) -> None:
    keys = [of_trial(shop, shop.compose(copies=[bow], contact=CLARA)) for bow in BOWS[:2]]
    for key, text in zip(keys, ("First.", "Second."), strict=True):
        desk_shop.send(shop.adviser, shop.adviser.read(f"/desk/players/{key}"), "/note", note=text)
    assert shop.adviser.post(f"/desk/players/{keys[0]}/join", {"other": keys[1]}).status_code == 303
    page = shop.adviser.read(f"/desk/players/{keys[1]}")
    assert [e.text.split() for e in page.all("textarea")] == [["First.", "Second."]]
    desk_shop.send(shop.adviser, page, "/note", note="Both.")
    with shop.desk.database.reading() as session:
        assert [row.text for row in session.scalars(select(tables.PlayerNote))] == ["Both."]

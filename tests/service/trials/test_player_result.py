"""What a player is told after a trial: only once it is revealed, as it stands now, and only to whom it belongs."""

import datetime as dt
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import select

from service import tables
from service.core.database import Database
from service.dealers import shop_card
from service.devices import tablets
from service.mail import letters
from service.players import persons
from service.privacy import erasure
from service.trials import lifecycle, outcomes, player_result, trial_mails
from tests.service import cast, desk_shop
from tests.service.cast import DEALER
from tests.service.client import add_small_range
from tests.service.desk_shop import Shop
from tests.service.page import Element, Page
from tests.service.trial_cast import BOWS

TODAY = dt.datetime.now(dt.UTC).date()
LINK = re.compile(r"http://[^/]+(/result/[\w.-]+)")


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


def played(shop: Shop, *, reveal: bool = True) -> tuple[str, dict[str, str]]:
    """Let a trial be played and closed; return its key and the serial behind each letter."""
    key = shop.opened(contact=desk_shop.CLARA)
    letters = shop.rate(key, [6, 3, 5, 4, 2])
    lifecycle_close(shop, key, reveal=reveal)
    with shop.desk.database.reading() as session:
        slots = session.execute(select(tables.Slot.letter, tables.Slot.copy).where(tables.Slot.letter != ""))
        found = dict(slots.all())
    assert set(filter(None, letters)) <= set(found)
    return key, {letter: copy for letter, copy in found.items() if copy}


def lifecycle_close(shop: Shop, key: str, *, reveal: bool) -> None:
    with shop.desk.database.writing() as session:
        lifecycle.close(session, shop.desk.ids["adviser"], DEALER, key)
        if reveal:
            lifecycle.reveal(session, shop.desk.ids["adviser"], DEALER, key)


def mail(shop: Shop, kind: str) -> str:
    """Return the text of the mail of a kind that waits, and let it have gone out."""
    now = dt.datetime.now(dt.UTC)
    with shop.desk.database.writing() as session:
        of = tables.OutboxItem
        row = session.scalars(select(of).where(of.kind == kind, of.sent_at.is_(None))).one()
        text = letters.write(session, shop.desk.app.state.mail_service, row, now).text
        row.sent_at = now
    return text


def link_in(text: str) -> str:
    found = LINK.search(text.replace("=\n", ""))
    assert found, text
    return found[1]


def tablet(shop: Shop, dealer: str = DEALER) -> dict[str, str]:
    with shop.desk.database.writing() as session:
        code = tablets.make_code(session, shop.desk.ids["adviser"], dealer, "counter")
        return {"authorization": f"Bearer {tablets.enrol(session, code)[1]}"}


def test_before_it_is_revealed_nobody_is_shown_which_bow_was_which(shop: Shop) -> None:
    key, _letters = played(shop, reveal=False)
    key_of_tablet = tablet(shop)
    assert "/result/" not in mail(shop, "after_trial")
    assert shop.desk.nobody().send("GET", f"/tablet/trials/{key}/result", headers=key_of_tablet).status_code == 404
    assert shop.adviser.get(f"/desk/trials/{key}/print/result").status_code == 404
    assert "print/result" not in shop.adviser.get(f"/desk/trials/{key}").text


def test_once_revealed_tablet_mail_and_paper_tell_the_same_and_no_serial(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        shop_card.keep(session, None, DEALER, address="Quay Street 12")
    key, behind = played(shop)
    pages = {
        "mail": shop.desk.nobody().get(link_in(mail(shop, "after_trial"))),
        "tablet": shop.desk.nobody().send("GET", f"/tablet/trials/{key}/result", headers=tablet(shop)),
        "paper": shop.adviser.get(f"/desk/trials/{key}/print/result"),
    }
    assert "Quay Street 12" in pages["mail"].text
    with shop.desk.database.reading() as session:
        joined = select(tables.Copy.serial, tables.Tier.name).join(tables.Tier, tables.Tier.slug == tables.Copy.tier)
        tier_of = dict(session.execute(joined).all())
    for where, reply in pages.items():
        page = Page(reply)
        assert page.faults == [], where
        rows = [[cell.text.strip() for cell in row.inside if isinstance(cell, Element)] for row in page.all("tr")]
        told = {row[0].removeprefix("Bow "): row[1] for row in rows if row[0].startswith("Bow ") and len(row) == 3}
        assert {letter: told[letter] for letter in behind} == {letter: tier_of[copy] for letter, copy in behind.items()}
        (drawing,) = page.of_class("marks")
        assert {child.tag for child in drawing.walk()} >= {"title", "desc", "circle"}
        assert not any(serial in reply.text for serial in BOWS), where
        assert "Clara" not in reply.text


def test_it_says_what_was_kept_and_a_correction_is_told_anew(shop: Shop) -> None:
    key, behind = played(shop)
    bramble, juniper = (next(copy for copy in behind.values() if name in copy) for name in ("bramble", "juniper"))
    with shop.desk.database.writing() as session:
        outcomes.record(session, None, DEALER, key, "kept", bramble, None, TODAY)
    path = link_in(mail(shop, "after_trial"))
    before = shop.desk.nobody().get(path).text
    assert "You kept a Bramble" in before
    assert "Bramble, which you kept" in before
    assert "Juniper, which you kept" not in before
    with shop.desk.database.writing() as session:
        outcomes.correct(session, None, DEALER, key, ("kept", bramble, TODAY), "kept", juniper, None, TODAY)
    assert "You kept a Juniper" in shop.desk.nobody().get(path).text
    again = mail(shop, "result")
    assert "was not right" in again
    assert "You kept a Juniper" in again
    assert link_in(again)


def test_who_was_written_to_before_it_was_revealed_is_told_then_and_once(shop: Shop) -> None:
    key, _letters = played(shop, reveal=False)
    mail(shop, "after_trial")
    for _time in range(2):
        with shop.desk.database.writing() as session:
            lifecycle.reveal(session, shop.desk.ids["adviser"], DEALER, key)
    assert link_in(mail(shop, "result"))
    with shop.desk.database.reading() as session:
        assert len(session.scalars(select(tables.OutboxItem).where(tables.OutboxItem.kind == "result")).all()) == 1


def test_a_link_ends_and_leads_only_whose_address_it_went_to(shop: Shop) -> None:
    key, _letters = played(shop)
    path = link_in(mail(shop, "after_trial"))
    nobody, signer = shop.desk.nobody(), shop.desk.app.state.mail_service.signer
    assert nobody.get(f"{path}A").status_code == 404
    assert nobody.get(f"/result/{key}").status_code == 404
    old = dt.datetime.now(dt.UTC) - player_result.LIFE - dt.timedelta(minutes=1)
    with shop.desk.database.reading() as session:
        over = player_result.link(session, signer, key, str(desk_shop.CLARA["email"]), old)
    assert over
    ended = nobody.get(over)
    assert ended.status_code == 410
    assert "Bramble" not in ended.text
    with shop.desk.database.writing() as session:
        session.scalars(select(tables.Contact)).one().email = "another@bows.example"
    assert nobody.get(path).status_code == 404


def test_it_is_erased_with_the_person_whether_the_ratings_stay_or_go(shop: Shop) -> None:
    key, _letters = played(shop)
    path = link_in(mail(shop, "after_trial"))
    with shop.desk.database.writing() as session:
        trial = session.scalars(select(tables.Trial).where(tables.Trial.key == key)).one()
        player = session.get_one(tables.Player, trial.player)
        player.in_model = True
        erasure.erase(session, None, persons.of_player(session, DEALER, player.key))
    assert shop.desk.nobody().get(path).status_code == 404


def test_another_dealers_tablet_is_shown_nothing(shop: Shop) -> None:
    key, _letters = played(shop)
    reply = shop.desk.nobody().send("GET", f"/tablet/trials/{key}/result", headers=tablet(shop, cast.OTHER))
    assert reply.status_code == 404


def test_a_trial_from_a_file_has_no_player_to_write_to(database: Database) -> None:
    add_small_range(database)
    with database.writing() as session:
        trial_mails.after_trial(session, "no such trial")
        assert session.scalars(select(tables.OutboxItem)).all() == []

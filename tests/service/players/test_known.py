"""What is known of a player, from outside: it counts by their own link, for that dealer's staff and server, and for nobody who types a name."""

import datetime as dt
import uuid
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service import privacy, tables
from service.accounts import users
from service.advice import advise
from service.dealers import api_keys, site
from service.mail.mail_service import MailService
from service.players import data_links, joining, known
from service.questionnaire.forms import check
from service.trials import lifecycle
from tests.service import cast
from tests.service.cast import DEALER, OTHER, Desk
from tests.service.client import Client
from tests.service.form.test_form_pages import address_of, begun
from tests.service.page import Page, Reader
from tests.service.trial_cast import BASS, BOWS, compose, rate

PAGE = "https://shop.example"
NOW = dt.datetime.now(dt.UTC)
ADA = {
    "name": "Ada Marsh (invented)",
    "email": "ada@player.example",
    "consent": {"advice": True, "mail": True, "model": True},
}
MARKS: Mapping[str | None, int] = {None: 4, BOWS[0]: 2, BOWS[1]: 7, BOWS[2]: 6}


@dataclass
class Shop:
    """A desk, a player who played there, and a key of each kind."""

    desk: Desk
    client: Client
    player: str
    trial: str
    headers: Mapping[str, Mapping[str, str]]

    def ask(self, who: str = "", **changes: Any) -> dict[str, Any]:
        """Ask the API, and return its answer without what is drawn."""
        reply = self.client.advice(BASS | {"dealer": DEALER} | changes, dict(self.headers.get(who, {})))
        assert reply.status_code == 200, reply.text
        told: dict[str, Any] = reply.json()
        return {name: value for name, value in told.items() if name != "id"}

    def refused(self, who: str = "", **changes: Any) -> dict[str, str]:
        """Ask the API for what it refuses, and return what it says by field."""
        reply = self.client.advice(BASS | changes, dict(self.headers.get(who, {})))
        assert reply.status_code == 422, reply.text
        return {each["path"]: each["detail"] for each in reply.json()["errors"]}

    def link(self, player: str | None = None) -> str:
        """Return the link to their data that came to the player by mail."""
        made = self.desk.app.state.mail_service
        assert isinstance(made, MailService)
        with self.desk.database.reading() as session:
            person = privacy.of_player(session, DEALER, player or self.player)
            found = data_links.of_person(session, made.signer, person, NOW)
        assert found is not None
        return found

    def newest(self) -> tables.Enquiry:
        """Return the newest enquiry."""
        with self.desk.database.reading() as session:
            return session.scalars(select(tables.Enquiry).order_by(tables.Enquiry.created_at.desc()).limit(1)).one()


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    with cast.opened(tmp_path, _migrated_file, advice_per_minute=0) as desk:
        with desk.database.writing() as session:
            trial = played(session, MARKS)
            player = player_of(session, trial)
            owner = users.add(session, "revealing@bows.example", "owner", None).account.id
            lifecycle.reveal(session, owner, DEALER, trial)
            site.set_pages(session, None, DEALER, PAGE, "", "")
            made = {kind: api_keys.make(session, None, DEALER, kind) for kind in ("website", "server")}
            made["elsewhere"] = api_keys.make(session, None, OTHER, "server")
        headers = {kind: {"Authorization": f"Bearer {key}"} for kind, key in made.items()}
        headers["website"]["Origin"] = PAGE
        yield Shop(desk, desk.client, player, trial, headers)


def played(session: Session, marks: Mapping[str | None, int], **changes: Any) -> str:
    """Let somebody play a trial to its end, and return its key."""
    copies = [bow for bow in marks if bow]
    told = {"contact": ADA, "copies": copies, "repeat": False, "on": NOW.date().isoformat()}
    key = compose(session, DEALER, **(told | changes))
    lifecycle.open_(session, None, DEALER, key)
    rate(session, key, marks)
    lifecycle.close(session, None, DEALER, key)
    return key


def player_of(session: Session, trial: str) -> str:
    joined = select(tables.Player.key).join(tables.Trial, tables.Trial.player == tables.Player.id)
    return session.scalars(joined.where(tables.Trial.key == trial)).one()


def gave(told: Mapping[str, Any]) -> dict[str, float]:
    return {each["copy"]: each["mark"] for each in told["tried"]}


def chances(told: Mapping[str, Any]) -> list[float]:
    return [row["chance"] for row in told["trial"]["by_copies"]]


# Nobody by what is typed


def test_a_foreign_name_and_address_change_nothing_in_the_answer(shop: Shop) -> None:
    stranger = shop.ask()
    assert shop.ask(contact=ADA) == stranger
    assert shop.ask("website", contact=ADA) == shop.ask("website")
    assert shop.ask("server", contact=ADA) == shop.ask("server")
    assert stranger["tried"] == []
    reader = Reader(shop.desk.app)
    pages = []
    typed = {
        "name": "Ada Marsh (invented)",
        "email": "ada@player.example",
        "consent_advice": "yes",
        "consent_model": "yes",
    }
    for contact in ({}, typed):
        page = reader.send(begun(reader, DEALER), {"instrument": "double_bass", "hold": "german"})
        page = reader.get(f"/form/{address_of(page)}/contact")
        assert "/advice/" in reader.send(page, contact).address
        pages.append(shop.newest())
    assert [page.advice["shortlist"] for page in pages] == [pages[0].advice["shortlist"]] * 2
    assert [page.advice["trial"] for page in pages] == [pages[0].advice["trial"]] * 2
    assert pages[1].player is None


def test_nor_are_a_strangers_marks_taken_for_the_players_when_a_trial_is_composed(shop: Shop) -> None:
    shop.ask(contact=ADA, tried=[{"copy": "DB-juniper-3", "ratings": {"overall": 1}}])
    enquiry = shop.newest().id
    adviser = shop.desk.sign_in("adviser")
    page = adviser.read(f"/desk/compose?enquiry={enquiry}")
    assert "by this player" not in " ".join(e.text for e in page.of_class("bow") if "DB-juniper-3" not in e.text)
    with shop.desk.database.writing() as session:
        trial = compose(session, DEALER, enquiry=enquiry, copies=["DB-juniper-2"], on=NOW.date().isoformat())
        assert player_of(session, trial) != shop.player
    assert "DB-juniper-3" not in adviser.read(f"/desk/players/{shop.player}").text


# The dealer's own server


def test_a_dealers_server_names_the_player_and_the_numbers_move_towards_the_marks(shop: Shop) -> None:
    stranger, known = shop.ask("server"), shop.ask("server", player=shop.player)
    assert known["player"] == shop.player
    assert "player" not in stranger
    assert gave(known) == {bow: mark for bow, mark in MARKS.items() if bow}
    assert BOWS[1] in known["trial"]["bring"]
    assert BOWS[0] not in known["trial"]["bring"]
    assert chances(known)[0] > chances(stranger)[0]
    told = shop.newest()
    with shop.desk.database.reading() as session:
        assert told.player == session.scalars(select(tables.Player.id).where(tables.Player.key == shop.player)).one()
        assert advise.recompute(session, told.id) == told.advice
    assert "player" not in told.answers


def test_nobody_else_names_a_player_and_a_wrong_key_is_said(shop: Shop) -> None:
    only = {"player": "Only a dealer’s own server may name a player; leave it out."}
    assert shop.refused(player=shop.player) == only
    assert shop.refused("website", player=shop.player) == only
    none = {"player": "There is no player of this key here; leave it out for one who is new."}
    assert shop.refused("server", player="P-nobody") == none
    assert shop.refused("elsewhere", player=shop.player) == none


def test_a_wrong_bow_beside_a_known_one_is_named_by_its_place(shop: Shop) -> None:
    tried = [{"copy": bow, "ratings": {"overall": 7}} for bow in (BOWS[1], "DB-nowhere-9")]
    assert shop.refused("server", dealer=DEALER, player=shop.player, tried=tried).keys() == {"tried.1.copy"}


def test_a_repeat_without_the_key_is_not_told_what_the_server_was(shop: Shop) -> None:
    ident = str(uuid.uuid4())
    first = shop.ask("server", player=shop.player, id=ident)
    assert shop.ask("server", player=shop.player, id=ident) == first
    assert shop.refused(dealer=DEALER, id=ident).keys() == {"id"}
    assert shop.refused("server", id=ident).keys() == {"id"}


def test_without_a_yes_the_server_is_told_nothing_of_them(shop: Shop) -> None:
    stranger = shop.ask("server")
    with shop.desk.database.writing() as session:
        session.execute(update(tables.Player).values(in_model=False))
    withheld = shop.ask("server", player=shop.player)
    assert withheld.pop("player") == shop.player
    assert withheld == stranger


def test_of_a_trial_whose_key_is_hidden_only_staff_are_told(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        trial = played(session, {None: 4, "DB-juniper-3": 7}, player=shop.player, contact=None)
        row = session.scalars(select(tables.Trial.id).where(tables.Trial.key == trial)).one()
        assert session.get_one(tables.Composition, row).revealed_at is None
    assert "DB-juniper-3" not in gave(shop.ask("server", player=shop.player))
    assert "DB-juniper-3" not in Reader(shop.desk.app).get(shop.link()).text
    assert "DB-juniper-3" in shop.desk.sign_in("adviser").read(f"/desk/players/{shop.player}").text


# By the player's own link


def test_the_players_own_page_says_what_they_gave_and_begins_a_form_with_it(shop: Shop) -> None:
    reader = Reader(shop.desk.app)
    page = reader.get(shop.link())
    assert "DB-juniper-0, Juniper" in page.text
    assert "you gave it 7, on " in page.text
    before = shop.newest() if shop.client.count() else None
    form = next(form for form in page.all("form") if form.get("action").endswith("/ask"))
    fields = {e.get("name"): e.get("value") for e in form.walk() if e.tag == "input"}
    asked = reader.post(form.get("action"), fields)
    assert "DB-juniper-0: 7 of 7" in asked.text
    named = reader.get(f"/form/{address_of(asked)}/tried")
    assert {e.get("value") for n in (1, 2, 3) for e in named.all("input", name=f"tried_{n}_copy")} == set(BOWS)
    assert before is None
    answer = reader.send(reader.get(f"/form/{address_of(asked)}/contact"), {})
    assert "You gave DB-juniper-0 7 of 7" in answer.text
    assert "three bows played here" in answer.text
    told = shop.newest()
    known, stranger = shop.ask("server", player=shop.player), shop.ask("server")
    assert told.advice["trial"]["by_copies"] == known["trial"]["by_copies"], "what stands in the form counts once"
    assert chances(told.advice)[0] > chances(stranger)[0]
    assert told.player is not None
    # What is changed from the answer's page, which may have been shown to others, is told anew.
    again = reader.send(answer, {}, go="change")
    kept = reader.get(f"/form/{address_of(again)}/tried")
    assert len([e for e in kept.all("input") if e.get("name").endswith("_copy")]) == 3


def asked_by_link(shop: Shop, reader: Reader) -> Page:
    page = reader.get(shop.link())
    form = next(form for form in page.all("form") if form.get("action").endswith("/ask"))
    asked = reader.post(form.get("action"), {e.get("name"): e.get("value") for e in form.walk() if e.tag == "input"})
    return reader.get(f"/form/{address_of(asked)}/tried")


def test_what_is_taken_out_of_the_form_does_not_count_and_a_changed_mark_stands(shop: Shop) -> None:
    reader = Reader(shop.desk.app)
    page = asked_by_link(shop, reader)
    serials = [next(iter(page.all("input", name=f"tried_{n}_copy"))).get("value") for n in (1, 2, 3)]
    page = reader.send(page, {}, go=f"remove-{1 + serials.index(BOWS[2])}")
    page = reader.get(f"/form/{address_of(page)}/tried")
    row = next(n for n in (1, 2) if next(iter(page.all("input", name=f"tried_{n}_copy"))).get("value") == BOWS[1])
    reader.send(page, {f"tried_{row}_overall": "3"})
    answer = reader.send(reader.get(f"/form/{address_of(page)}/contact"), {})
    assert f"You gave {BOWS[1]} 3 of 7" in answer.text
    assert BOWS[2] not in answer.text


def told(session: Session, shop: Shop, at: dt.datetime, **answers: Any) -> None:
    """Store answers that the player gave at a moment, as they stand."""
    whose = session.scalars(select(tables.Player.id).where(tables.Player.key == shop.player)).one()
    ident, kept = str(uuid.uuid4()), BASS | {"dealer": DEALER} | answers
    row = {"id": ident, "address": ident, "language": "en", "advice": {}, "dealer": DEALER, "player": whose}
    session.add(tables.Enquiry(**row, created_at=at, answers=kept))
    session.flush()


def test_asking_again_leaves_out_bows_for_another_hold_and_those_without_a_mark(shop: Shop) -> None:
    reader = Reader(shop.desk.app)
    with shop.desk.database.writing() as session:
        unmarked = select(tables.Run).where(tables.Run.copy == BOWS[1])
        run = session.scalars(unmarked).one()
        run.overall, run.response, run.cannot_tell = None, None, "overall response clarity"
    page = asked_by_link(shop, reader)
    assert {e.get("value") for n in (1, 2, 3) for e in page.all("input", name=f"tried_{n}_copy")} == {BOWS[0], BOWS[2]}
    with shop.desk.database.writing() as session:
        told(session, shop, NOW + dt.timedelta(hours=1), hold="french")
    page = asked_by_link(shop, reader)
    assert not any(bow in page.text for bow in BOWS)
    contact = reader.get(page.address.replace("/tried", "/contact"))
    assert reader.send(contact, {}).address.startswith("/advice/")


def test_answers_that_are_refused_today_are_passed_over_when_the_player_asks_again(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        told(session, shop, NOW + dt.timedelta(hours=1), settings=["jazz"])
        told(session, shop, NOW + dt.timedelta(hours=2), budget={"amount": -1, "currency": "EUR"})
    page = asked_by_link(shop, Reader(shop.desk.app))
    assert page.status == 200
    assert {e.get("value") for n in (1, 2, 3) for e in page.all("input", name=f"tried_{n}_copy")} == set(BOWS)
    walked = shop.desk.sign_in("adviser").read(f"/desk/compose?player={shop.player}")
    assert "jazz" in walked.text.lower()


def test_the_newest_sixty_marks_count_those_of_trials_first(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        for day in range(5):
            bows = [{"copy": f"DB-{day}-{n}", "ratings": {"overall": 5}} for n in range(20)]
            told(session, shop, NOW - dt.timedelta(days=day), tried=bows)
        now = [{"copy": f"DB-now-{n}", "ratings": {"overall": 6}} for n in range(4)]
        marks = known.gathered(session, DEALER, check(BASS | {"dealer": DEALER, "tried": now}), player=shop.player)
    counted = [str(run.copy) for run in marks.sheets]
    assert {*counted[:3]} == set(BOWS)
    assert len(counted) + len(now) == 60
    assert [sum(bow.startswith(f"DB-{day}-") for bow in counted) for day in range(5)] == [20, 20, 13, 0, 0]


def test_a_bow_that_went_to_another_shop_may_stay_in_the_form(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        session.execute(update(tables.Copy).where(tables.Copy.serial == BOWS[1]).values(dealer=OTHER))
    reader = Reader(shop.desk.app)
    page = asked_by_link(shop, reader)
    assert reader.send(page, {}).h1 == "What matters to you"


def test_at_the_desk_a_bow_that_went_to_another_shop_is_still_one_that_the_player_played(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        session.execute(update(tables.Copy).where(tables.Copy.serial == BOWS[1]).values(dealer=OTHER))
    adviser = shop.desk.sign_in("adviser")
    asked = "instrument=double_bass+german&budget=2600&minutes=60"
    named = f"/desk/compose?{asked}&tried_1_copy={BOWS[1]}&tried_1_overall=3"
    assert adviser.get(f"{named}&player={shop.player}").status_code == 200
    assert adviser.get(named).status_code == 422


def test_without_a_yes_the_page_says_so_and_offers_no_form(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        session.execute(update(tables.Player).values(in_model=False))
    page = Reader(shop.desk.app).get(shop.link())
    assert "Your ratings serve their own trial only" in page.text
    assert not [form for form in page.all("form") if form.get("action").endswith("/ask")]


def test_a_link_begins_no_form_for_another_player(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        other = played(session, {None: 4, "DB-juniper-3": 7}, contact=ADA | {"email": "bo@player.example"})
        theirs = player_of(session, other)
    for key in (theirs, "", "no-such-key"):
        assert Reader(shop.desk.app).request("POST", f"{shop.link()}/ask", data={"player": key}).status_code == 404


def test_a_form_begun_by_a_link_goes_with_the_person(shop: Shop) -> None:
    asked_by_link(shop, Reader(shop.desk.app))
    with shop.desk.database.writing() as session:
        person = privacy.of_player(session, DEALER, shop.player)
        assert len(privacy.held(session, person)["unfinished_questionnaires"]) == 1
        privacy.erase(session, None, person)
        assert session.scalars(select(tables.Draft)).all() == []


# At the desk


def test_the_desk_says_what_this_player_rated_and_knows_it_of_a_walk_in(shop: Shop) -> None:
    adviser = shop.desk.sign_in("adviser")
    page = adviser.read(f"/desk/players/{shop.player}")
    row = next(e.text for e in page.all("tr") if "DB-juniper-0" in e.text)
    assert "Juniper" in row
    assert "7" in row
    walked = adviser.read(f"/desk/compose?player={shop.player}")
    line = next(e.text for e in walked.of_class("bow") if "DB-juniper-0" in e.text)
    assert "rated 7 by this player." in line
    checked = [e.get("value") for e in walked.all("input", name="instrument") if "checked" in e.attributes]
    assert checked == ["double_bass german"], "as the last time"


def test_what_was_told_with_an_enquiry_is_known_of_the_player_from_then_on(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        body = BASS | {"dealer": DEALER, "settings": ["jazz"], "own_bow": {"kind": "carbon", "ratings": {"overall": 2}}}
        tried = [{"copy": "DB-juniper-3", "ratings": {"overall": 7}}, {"copy": BOWS[1], "ratings": {"overall": 1}}]
        asked = advise.advise(session, check(body | {"tried": tried}))["id"]
        joining.give(session, None, DEALER, asked, shop.player)
    adviser = shop.desk.sign_in("adviser")
    walked = adviser.read(f"/desk/compose?player={shop.player}")
    assert "Rated 7 by this player, who told us so." in next(
        e.text for e in walked.of_class("bow") if "DB-juniper-3" in e.text
    )
    assert "jazz" in walked.text.lower()
    known = shop.ask("server", player=shop.player)
    assert gave(known) == {BOWS[0]: 2, BOWS[1]: 7, BOWS[2]: 6, "DB-juniper-3": 7}, "sheets stand before what was told"
    with shop.desk.database.writing() as session:
        session.execute(update(tables.Trial).values(dealer=OTHER))
    assert gave(shop.ask("server", player=shop.player)) == {"DB-juniper-3": 7, BOWS[1]: 1}


def test_after_a_trial_the_next_answer_has_moved_towards_the_marks(shop: Shop) -> None:
    before = shop.ask("server", player=shop.player)
    with shop.desk.database.writing() as session:
        trial = played(session, {None: 6, "DB-juniper-3": 1, "DB-juniper-2": 1}, player=shop.player, contact=None)
        owner = session.scalars(select(tables.User.id).where(tables.User.email == "revealing@bows.example")).one()
        lifecycle.reveal(session, owner, DEALER, trial)
    after = shop.ask("server", player=shop.player)
    assert gave(after)["DB-juniper-3"] == 1

    def juniper(told: Mapping[str, Any]) -> float:
        return next(float(entry["fit"]["expected"]) for entry in told["shortlist"] if entry["tier"] == "juniper")

    assert juniper(after) < juniper(before)

"""Two keys of one person, joined by staff and parted again: all that reads a player follows; nobody is known by what was typed."""

import datetime as dt
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service import privacy, tables
from service.core import audit, audit_events
from service.core.database import Database
from service.core.errors import ConflictError, NotFoundError
from service.core.scopes import AllDealers, OneDealer
from service.inventory.files import dumping
from service.mail import mailboxes
from service.modelling import model_records
from service.players import joining, player_keys
from service.players import known as marks
from service.privacy import access_requests
from service.questionnaire.forms import check
from service.trials import desk_reads, lifecycle
from tests.service import desk_shop
from tests.service.cast import DEALER, OTHER
from tests.service.desk_shop import CLARA, Shop, send
from tests.service.page import Page
from tests.service.privacy_cast import EMAIL, TOLD, add_all, contact, draft, enquire
from tests.service.trial_cast import BASS, BOWS, SHOP, compose, open_shop, rate

TODAY = dt.datetime.now(dt.UTC).date().isoformat()
LATER = dt.datetime.now(dt.UTC) + dt.timedelta(hours=1)


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


@pytest.fixture
def kept(database: Database) -> Database:
    return open_shop(database)


def player_of(session: Session, trial: str) -> str:
    joined = select(tables.Player.key).join(tables.Trial, tables.Trial.player == tables.Player.id)
    return session.scalars(joined.where(tables.Trial.key == trial)).one()


def played(session: Session, bow: str, mark: int, **changes: Any) -> tuple[str, str]:
    """Let somebody play one bow; return the trial and the player."""
    key = compose(session, copies=[bow], on=TODAY, repeat=False, **changes)
    lifecycle.open_(session, None, SHOP, key)
    rate(session, key, {None: 4, bow: mark})
    lifecycle.close(session, None, SHOP, key)
    return key, player_of(session, key)


def rated(session: Session, player: str) -> dict[str, float | None]:
    """Return what is known of the bows that a player played."""
    stored = marks.gathered(session, SHOP, check(BASS | {"dealer": SHOP}), player=player)
    return {copy: each.mark for copy, each in stored.played.items()}


def titles(page: Page) -> list[str]:
    return [next(e.text.strip() for e in line.walk() if e.tag == "b") for line in page.of_class("line")]


# At the desk


def test_two_keys_of_one_person_are_joined_and_parted_at_the_desk(shop: Shop) -> None:
    one, two = (shop.compose(copies=[bow], contact=CLARA) for bow in BOWS[:2])
    with shop.desk.database.reading() as session:
        keys = [player_of(session, trial) for trial in (one, two)]
    assert keys[0] != keys[1], "what is typed identifies nobody"
    page = shop.adviser.read(f"/desk/players/{keys[0]}")
    assert "Another player here has the same name or address." in page.text
    choose = shop.adviser.read(f"/desk/players/{keys[0]}/join")
    (link,) = [e.get("href") for e in choose.all("a") if "other=" in e.get("href")]
    asked = shop.adviser.read(link)
    assert asked.h1 == "Are these one person?"
    shown = send(shop.adviser, asked, "/join")
    assert "They are one player now." in shown.text
    # Either key leads to the one player, who stands in the list once.
    for key in keys:
        links = [e.text.strip() for e in shop.adviser.read(f"/desk/players/{key}").all("a")]
        assert [each for each in links if each.startswith("Trial ")] == ["Trial 2", "Trial 1"]
    assert titles(shop.adviser.read("/desk/players")) == [CLARA["name"]]
    assert titles(shop.adviser.read("/desk/players?search=clara")) == [CLARA["name"]]
    parted = send(shop.adviser, shop.adviser.read(f"/desk/players/{keys[1]}/part"), "/part")
    assert "They are two players again." in parted.text
    assert titles(shop.adviser.read("/desk/players")) == [CLARA["name"]] * 2
    with shop.desk.database.reading() as session:
        done = [
            (entry.did, entry.about, entry.who is not None)
            for entry in audit.entries(session, OneDealer(DEALER)).rows[:2]
        ]
    assert done == [
        (audit_events.PLAYERS_PARTED.did, f"player {keys[0]}", True),
        (audit_events.PLAYERS_JOINED.did, f"player {keys[0]}", True),
    ]


def test_an_enquiry_is_given_to_a_player_who_is_known_and_taken_back(shop: Shop) -> None:
    trial = shop.compose(copies=[BOWS[0]], contact=CLARA)
    enquiry = shop.enquire()
    with shop.desk.database.reading() as session:
        player = player_of(session, trial)
        assert session.get_one(tables.Enquiry, enquiry).player is None
    choose = shop.adviser.read(f"/desk/enquiries/{enquiry}/player")
    (link,) = [e.get("href") for e in choose.all("a") if "player=" in e.get("href")]
    shown = send(shop.adviser, shop.adviser.read(link), "/player")
    assert "The enquiry is this player’s now." in shown.text
    assert f"/desk/players/{player}" in [e.get("href") for e in shown.all("a")]
    again = send(shop.adviser, shown, "/player")
    assert "The enquiry is nobody’s again." in again.text
    assert f"/desk/players/{player}" not in [e.get("href") for e in again.all("a")]


def test_nobody_joins_with_another_dealers_player(shop: Shop) -> None:
    trial = shop.compose(copies=[BOWS[0]])
    with shop.desk.database.writing() as session:
        mine = player_of(session, trial)
        session.add(tables.Copy(serial="DB-hill-0", tier="juniper", hold="german", dealer=OTHER, status="in_stock"))
        session.flush()
        theirs = player_of(session, compose(session, OTHER, copies=["DB-hill-0"], on=TODAY))
    assert shop.adviser.get(f"/desk/players/{mine}/join?other={theirs}").status_code == 404
    assert shop.adviser.post(f"/desk/players/{mine}/join", {"other": theirs}).status_code == 404
    assert shop.adviser.post(f"/desk/players/{theirs}/join", {"other": mine}).status_code == 404
    assert shop.adviser.post(f"/desk/players/{mine}/join", {"other": mine}).status_code == 409


# What follows


def test_marks_lists_fits_and_files_follow_the_person_and_go_apart_again(kept: Database, tmp_path: Path) -> None:
    with kept.writing() as session:
        (_one, ada), (_two, again) = played(session, BOWS[0], 3), played(session, BOWS[1], 7)
        assert rated(session, ada) == {BOWS[0]: 3}
        before = model_records.digest(session)
        stands = joining.join(session, None, SHOP, again, ada)
        assert stands == ada, "who was here first"
        for key in (ada, again):
            assert rated(session, key) == {BOWS[0]: 3, BOWS[1]: 7}
        assert {trial.player for trial in model_records.read_trials(session)} == {ada}
        assert model_records.digest(session) != before
        assert [row.trials for row in desk_reads.players(session, SHOP).rows] == [2]
        third = compose(session, player=again, copies=[BOWS[2]], on=TODAY)
        assert player_of(session, third) == ada, "whoever stands for both"
    with kept.reading() as session:
        dumping.dump(session, tmp_path / "files")
    assert again not in (tmp_path / "files" / "runs.csv").read_text(encoding="utf-8")
    with kept.writing() as session:
        assert joining.part(session, None, SHOP, again) == ada
        assert (rated(session, ada), rated(session, again)) == ({BOWS[0]: 3}, {BOWS[1]: 7})
        assert {trial.player for trial in model_records.read_trials(session)} == {ada, again}
        assert sorted(row.trials for row in desk_reads.players(session, SHOP).rows) == [1, 2]
        with pytest.raises(ConflictError):
            joining.part(session, None, SHOP, again)


def test_a_no_holds_for_all_keys_until_they_are_parted(kept: Database) -> None:
    with kept.writing() as session:
        (_one, ada), (two, again) = played(session, BOWS[0], 3), played(session, BOWS[1], 7, model_consent=False)
        joining.join(session, None, SHOP, ada, again)
        assert rated(session, ada) == {}, "one word was no"
        assert model_records.read_trials(session) == ()
        joining.part(session, None, SHOP, again)
        assert rated(session, ada) == {BOWS[0]: 3}
        joining.join(session, None, SHOP, ada, again)
        # A 'no' of one key's trial counts for all of them, and stays where it was said since.
        access_requests.say(session, None, privacy.of_player(session, SHOP, ada), LATER, may_help=True)
        assert rated(session, ada) == {BOWS[0]: 3, BOWS[1]: 7}
        trial = session.scalars(select(tables.Trial.id).where(tables.Trial.key == two)).one()
        player_keys.said_with_sheet(session, trial, yes=False)
        assert rated(session, ada) == {}
        joining.part(session, None, SHOP, again)
        assert rated(session, ada) == {}, "said since they were joined"


def said(session: Session, *keys: str) -> list[bool]:
    session.expire_all()
    found = {row.key: row.in_model for row in session.scalars(select(tables.Player))}
    return [found[key] for key in keys]


def test_a_joining_makes_no_yes_of_a_no_and_each_part_has_its_own_word_again(kept: Database) -> None:
    with kept.writing() as session:
        no, yes, second = (
            played(session, bow, 5, model_consent=word)[1] for bow, word in zip(BOWS, (False, True, False), strict=True)
        )
        # The older 'no' was said at another dealer, to whom the key is known by a file.
        trial = session.scalars(select(tables.Trial).join(tables.Player).where(tables.Player.key == no)).one()
        elsewhere = {"key": "T-elsewhere", "player": trial.player, "dealer": "quay", "on": trial.on}
        session.add(tables.Trial(**elsewhere, instrument=trial.instrument, hold=trial.hold, place="shop"))
        joining.join(session, None, SHOP, no, yes)
        assert said(session, no, yes) == [False, False]
        assert model_records.read_trials(session) == ()
        joining.join(session, None, SHOP, yes, second)
        joining.part(session, None, SHOP, yes)
        assert said(session, no, yes, second) == [False, True, False]
        # Whoever stays joined to a 'no' keeps it, though the one by whom it came first has gone.
        joining.join(session, None, SHOP, yes, no)
        joining.part(session, None, SHOP, second)
        assert said(session, no, yes, second) == [False, False, False]
        joining.part(session, None, SHOP, yes)
        assert said(session, no, yes, second) == [False, True, False]


def test_who_was_never_asked_is_not_made_to_agree(kept: Database) -> None:
    with kept.writing() as session:
        yes, unasked = (
            played(session, bow, 5, model_consent=word)[1] for bow, word in zip(BOWS[:2], (True, None), strict=True)
        )
        joining.join(session, None, SHOP, yes, unasked)
        assert said(session, yes, unasked) == [True, False]
        assert len(model_records.read_trials(session)) == 1
        assert rated(session, unasked).keys() == set(BOWS[:2]), "the person agreed, and is advised by their own marks"


def test_the_desk_learns_nothing_of_what_another_shop_knows(kept: Database) -> None:
    with kept.writing() as session:
        _trial, shared = played(session, BOWS[0], 3)
        player = session.scalars(select(tables.Player.id).where(tables.Player.key == shared)).one()
        alike = contact(model=True, name="Vera Rowan", email="vera@player.example")
        _own, vera = played(session, BOWS[1], 7, contact=alike)
        known = {"name": "Vera Rowan", "email": "vera@player.example", "mail_consent": True}
        session.add(tables.Contact(player=player, dealer="quay", created_at=LATER, language="it", **known))
        session.flush()
        page = desk_reads.player(session, SHOP, shared)
        assert (page.alike, page.row.name, page.language) == ((), None, None)
        held = privacy.held(session, privacy.of_player(session, SHOP, shared))
        assert (held["contacts"], len(held["trials"])) == ([], 1)
        assert privacy.of_player(session, SHOP, shared).names == ()
        assert [row.key for row in desk_reads.player(session, SHOP, vera).alike] == []


def test_parting_keeps_together_those_who_were_joined_before(kept: Database) -> None:
    with kept.writing() as session:
        keys = [played(session, bow, 5)[1] for bow in BOWS]
        joining.join(session, None, SHOP, keys[1], keys[2])
        joining.join(session, None, SHOP, keys[0], keys[2])
        assert rated(session, keys[2]).keys() == set(BOWS)
        joining.part(session, None, SHOP, keys[1])
        assert rated(session, keys[0]).keys() == {BOWS[0]}
        assert rated(session, keys[1]).keys() == rated(session, keys[2]).keys() == {BOWS[1], BOWS[2]}


@pytest.mark.parametrize("model", [False, True])
def test_what_is_handed_out_and_erased_is_the_whole_persons(kept: Database, model: bool) -> None:
    with kept.writing() as session:
        add = add_all(session, model=model, note=None)
        another = {"name": "C. Quillfeather", "email": "cq@elsewhere.example"}
        other = enquire(session, model=model, **another)
        key = compose(session, enquiry=other, copies=[BOWS[0]], on=TODAY, model_consent=None)
        lifecycle.cancel(session, None, SHOP, key)
        joining.join(session, 1 if session.get(tables.User, 1) else None, SHOP, add.player, player_of(session, key))
        for whose in (add.player, player_of(session, key)):
            held = privacy.held(session, privacy.of_player(session, SHOP, whose))
            assert {each["email"] for each in held["contacts"]} == {EMAIL, "cq@elsewhere.example"}
            assert (len(held["trials"]), len(held["enquiries"])) == (3, 2)
            assert len(held["joined"]) == 1
        # By the address that the questionnaire on its way has: under another one it is nobody's until it ends.
        privacy.erase(session, None, privacy.of_player(session, SHOP, add.player))
    assert kept.file is not None
    with kept.reading() as session:
        left = [*session.scalars(select(tables.Contact)), *session.scalars(select(tables.Enquiry))]
        assert left == []
        assert len(session.scalars(select(tables.JoinedPlayer)).all()) == int(model)
        record = " ".join(f"{entry.about} {entry.detail}" for entry in audit.entries(session, AllDealers()).rows)
        assert add.player not in record
        assert add.player not in session.scalars(select(tables.Player.key)).all()
    stored = kept.file.read_bytes()
    assert not any(word.encode() in stored for word in (*TOLD, "cq@elsewhere"))


def test_an_address_typed_on_the_way_opens_nothing_of_its_owner(kept: Database) -> None:
    # ASVS 5.0, 8.2.2: nobody reaches the data of another by a reference that they could have typed themselves.
    def somebody(name: str, email: str) -> dict[str, Any]:
        return contact(model=True, name=name, email=f"{email}@player.example")

    with kept.writing() as session:
        asked = enquire(session, model=True, name="Vera", email="vera@player.example")
        begun = draft(session, "vera@player.example")
        (_t1, vera), (_t2, mallory), (_t3, typed) = (
            played(session, bow, mark, contact=somebody(name, email))
            for bow, mark, name, email in zip(
                BOWS, (7, 2, 3), ("Vera", "Mallory", "M."), ("vera", "mallory", "Vera"), strict=True
            )
        )
        joining.join(session, None, SHOP, mallory, typed)
        person = privacy.of_player(session, SHOP, mallory)
        held = privacy.held(session, person)
        assert (len(held["trials"]), held["enquiries"], held["unfinished_questionnaires"]) == (2, [], [])
        assert {each["name"] for each in held["contacts"]} == {"Mallory", "M."}
        assert {each["to"].lower() for each in held["mails"]} <= {"mallory@player.example", "vera@player.example"}
        with pytest.raises(NotFoundError):
            access_requests.begin(session, person, vera)
        access_requests.say(session, None, person, LATER, may_help=False)
        assert rated(session, vera) == {BOWS[0]: 7}
        mailboxes.confirm(session, *mailboxes.names(session, "vera@player.example"), LATER)
        privacy.erase(session, None, person)
        left = privacy.held(session, privacy.of_player(session, SHOP, vera))
        assert [each["name"] for each in left["contacts"]] == ["Vera"]
        assert (len(left["trials"]), len(left["enquiries"]), len(left["unfinished_questionnaires"])) == (1, 1, 1)
        assert "advice" in {each["kind"] for each in left["mails"]}
        assert left["address_confirmed"] is not None
        assert session.get(tables.Enquiry, asked) is not None
        assert session.get(tables.Draft, begun) is not None


def test_two_who_join_the_same_players_at_once_join_them_once(any_database: Database) -> None:
    open_shop(any_database)
    with any_database.writing() as session:
        keys = [player_of(session, compose(session, copies=[bow], on=TODAY)) for bow in BOWS[:2]]

    def join(pair: tuple[str, str]) -> str:
        try:
            with any_database.writing() as session:
                return joining.join(session, None, SHOP, *pair)
        except ConflictError:
            return "refused"

    with ThreadPoolExecutor(2) as both:
        came = sorted(both.map(join, [(keys[0], keys[1]), (keys[1], keys[0])]))
    assert came == sorted([keys[0], "refused"])


def test_an_enquiry_that_a_trial_came_from_is_its_players(kept: Database) -> None:
    with kept.writing() as session:
        asked = enquire(session)
        trial = compose(session, enquiry=asked, copies=[BOWS[0]], on=TODAY)
        with pytest.raises(ConflictError):
            joining.take_away(session, None, SHOP, asked)
        other = player_of(session, compose(session, copies=[BOWS[1]], on=TODAY))
        with pytest.raises(ConflictError):
            joining.give(session, None, SHOP, asked, other)
        with pytest.raises(NotFoundError):
            joining.give(session, None, "quay", asked, other)
        joining.join(session, None, SHOP, other, player_of(session, trial))
        joining.give(session, None, SHOP, asked, other)  # the same person by now
    assert contact(model=False)["email"] == EMAIL

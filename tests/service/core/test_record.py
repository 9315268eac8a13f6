"""The record of who did what, by doing it: each event of the catalogue is written where it happens, by whom it says."""

import datetime as dt
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from model.domain.vocabulary import CRITERIA
from service import cli, tables
from service.accounts import passwords, second_factor, securing, users
from service.advice import advise
from service.app import SIGN_INS_PER_MINUTE
from service.core import audit, audit_events, paging
from service.core.audit_events import CATALOGUE, STAFF, AuditEvent
from service.core.database import Database
from service.core.scopes import AllDealers, OneDealer
from service.privacy import clock, mass_erasure
from service.questionnaire import forms
from service.trials import lifecycle, outcomes, parcels
from service.web import refusal_records
from tests import factories
from tests.service import cast, trial_cast
from tests.service.cast import DEALER, OTHER, Desk, sign_in_form
from tests.service.client import SECRET, Client
from tests.service.desk_world import World
from tests.service.logo_files import png
from tests.service.trial_cast import BOWS

TESTS = Path(__file__).resolve().parents[2]
TODAY = dt.datetime.now(dt.UTC).date()
POST = {"place": "post", "blinding": "masked", "country": "CH", "on": TODAY.isoformat()}
POST |= {"due_back": (TODAY + dt.timedelta(days=14)).isoformat()}


def recorded(database: Database) -> list[audit.RecordedEvent]:
    """Return the whole record, oldest first."""
    with database.reading() as session:
        everything = paging.ListWanted(oldest=True, most=100_000)
        return list(audit.entries(session, AllDealers(), wanted=everything).rows)


@pytest.fixture
def desk(tmp_path: Path, _migrated_file: Path) -> Iterator[Desk]:
    with cast.opened(tmp_path, _migrated_file) as opened:
        yield opened


_OF_STOCK: list[tuple[str, str, dict[str, Any]]] = [
    ("adviser", "/desk/bows/new", {"copy": "N-1", "tier": "bramble", "hold": "german", "status": "in_stock"}),
    (
        "adviser",
        "/desk/stock/N-1/correct",
        {"seen": "||bramble|german" + "|" * 7, "tier": "bramble", "hold": "german", "mass_g": "9"},
    ),
    ("adviser", "/desk/stock/N-1/event", {"event": "rehaired", "on": "2026-03-02"}),
    ("adviser", "/desk/stock/N-1/take-back", {"event": "rehaired", "on": "2026-03-02"}),
    ("adviser", "/desk/stock/N-1/remove", {}),
    ("adviser", "/desk/bows/prices/bramble", {"price": "2222", "currency": "EUR", "seen": "|"}),
]
"""What is done with a bow that was added by mistake, and a price."""


def _at_the_desk(world: World) -> None:
    """Do at the desk, page by page, what is on record there."""
    things = world.things[DEALER]
    own, target = things.places, f"/desk/users/{things.places['/desk/users/{user}']}"
    trial, bow = f"/desk/trials/{things.trial}", f"/desk/stock/{things.free}"
    player = f"/desk/players/{own['/desk/players/{key}']}"
    other, enquiry = _another(world)
    steps: list[tuple[str, str, dict[str, Any]]] = [
        ("owner", f"{target}/link", {}),
        ("owner", f"{target}/sessions", {}),
        ("owner", f"{target}/disable", {}),
        ("owner", f"{target}/enable", {}),
        ("adviser", "/desk/account/sessions", {"which": "others", "mine": cast.PASSWORD}),
        ("adviser", f"/desk/tablets/{own['/desk/tablets/{tablet}']}/revoke", {}),
        ("adviser", "/desk/tablets/load", {"file": things.file}),
        ("adviser", "/desk/mail/addresses/reopen", {"address": things.address}),
        ("owner", "/desk/website/keys", {"kind": "server"}),
        ("owner", f"/desk/website/keys/{own['/desk/website/keys/{key}']}/revoke", {}),
        ("owner", "/desk/website/secret", {}),
        ("adviser", "/desk/calendar", {}),
        ("adviser", "/desk/calendar/revoke", {}),
        ("owner", "/desk/website/card", {"phone": "+43 1 234567"}),
        ("owner", "/desk/calendar/zone", {"zone": "Europe/Vienna"}),
        ("owner", "/desk/website/logo", {"file": png()}),
        ("owner", "/desk/website/logo/remove", {}),
        ("adviser", f"/desk/players/{own['/desk/players/{key}']}/ratings", {"may_help": "no"}),
        ("adviser", f"/desk/players/{own['/desk/players/{key}']}/ratings", {"may_help": "yes"}),
        ("adviser", f"{enquiry}/player", {"player": other}),
        ("adviser", f"{enquiry}/player", {"player": ""}),
        ("adviser", f"{player}/note", {"seen": "", "note": "Plays in a quartet."}),
        ("adviser", f"{player}/join", {"other": other}),
        ("adviser", f"/desk/players/{other}/part", {}),
        ("adviser", f"{trial}/move", {"on": (TODAY + dt.timedelta(days=40)).isoformat()}),
        ("adviser", f"{trial}/swap", {"out": things.copies[0], "into": "DB-bramble-3"}),
        ("adviser", f"{trial}/seat", {"rater": "player"}),
        ("adviser", f"{trial}/open", {}),
        ("adviser", f"{trial}/head-to-head", {"one": "own", "other": _letter(world)}),
        ("adviser", f"{trial}/head-to-head", {"go": "end"}),
        ("adviser", f"{trial}/paper", {"on": TODAY.isoformat(), "letter.other": "QQ", "other.overall": "5"}),
        ("adviser", f"{trial}/reveal", {}),
        ("adviser", f"{trial}/cancel", {}),
        *_OF_STOCK,
        ("workshop", f"{bow}/event", {"event": "rehaired", "on": "2026-03-02"}),
        ("workshop", f"{bow}/bench", {"mass_g": "130"}),
        ("workshop", f"{bow}/bench/remove", {"reading": "1"}),
        ("workshop", f"{bow}/status", {"status": "in_repair"}),
        ("workshop", f"{bow}/place", {"to": OTHER}),
        ("workshop", "/desk/model/fit", {}),
        ("workshop", "/desk/range/bramble", {"seen": ",,,,,,,", **dict.fromkeys(CRITERIA, ""), "response": "2"}),
    ]
    for name, path, fields in steps:
        reply = world.ask(name, "POST", path, fields=fields)
        assert reply.status_code in (200, 303), (path, reply.status_code, reply.text)
    assert world.ask("adviser", "GET", f"/desk/players/{own['/desk/players/{key}']}/data").status_code == 200
    assert world.ask("adviser", "GET", "/desk/players?as=csv").status_code == 200
    assert world.ask("adviser", "GET", "/desk/users").status_code == 403


def _another(world: World) -> tuple[str, str]:
    """Return the key of a player who walked in, and the address of an enquiry that no trial came from."""
    ident = str(uuid.uuid4())
    with world.desk.database.writing() as session:
        session.add(tables.Copy(serial="DB-walked-0", tier="bramble", hold="german", dealer=DEALER, status="in_stock"))
        advise.advise(session, forms.check(trial_cast.BASS | {"dealer": DEALER, "id": ident}))
        trial = trial_cast.compose(session, DEALER, copies=["DB-walked-0"])
        theirs = select(tables.Player.key).join(tables.Trial, tables.Trial.player == tables.Player.id)
        return session.scalars(theirs.where(tables.Trial.key == trial)).one(), f"/desk/enquiries/{ident}"


def _letter(world: World) -> str:
    with world.desk.database.reading() as session:
        slots = trial_cast.slots(session, world.things[DEALER].trial)
        return next(slot.letter for slot in slots if slot.copy is not None)


def _by_post(desk: Desk) -> None:
    """Let a parcel go over a border and come back."""
    user = desk.ids["adviser"]
    with desk.database.writing() as session:
        session.get_one(tables.Dealer, DEALER).country = "DE"
        for bow in BOWS:
            session.get_one(tables.Copy, bow).status = "in_stock"
            session.get_one(tables.Copy, bow).materials = "pernambuco stick, ebony frog"
        key = trial_cast.compose(session, DEALER, **POST)
        lifecycle.confirm_materials(session, user, DEALER, key, "Customs office")
        lifecycle.send(session, user, DEALER, key, dict.fromkeys(BOWS, "as new"))
        parcels.describe(session, user, DEALER, key, {"carrier": "by hand"})
        parcels.arrived(session, user, DEALER, key)
        parcels.extend(session, user, DEALER, key, TODAY + dt.timedelta(days=60))
        lifecycle.take_back(session, user, DEALER, key, dict.fromkeys(BOWS, "as new"))
        outcomes.record(session, user, DEALER, key, "none", None, None, TODAY)


def _the_clock(desk: Desk) -> None:
    """Answer what the service asks before it erases by a clock."""
    user, now = desk.ids["owner"], dt.datetime.now(dt.UTC)
    with desk.database.writing() as session:
        clock.confirm(session, user, now)
        assert not mass_erasure.may_erase(session, DEALER, 100_000, now)
        (question,) = mass_erasure.questions(session, OneDealer(DEALER))
        assert mass_erasure.allow(session, user, question, now)
        session.scalars(select(tables.Enquiry)).all()[0].created_at = now + dt.timedelta(days=900)
        session.flush()
        assert clock.mend(session, now)
        session.scalars(select(tables.Enquiry)).all()[0].doubted = True
        session.flush()
        assert clock.keep(session, now).is_believed


def _accounts(desk: Desk) -> None:
    """Set, change and use a password and a second factor, and mistake them."""
    user = desk.ids["adviser"]
    with desk.database.writing() as session:
        securing.set_factor(session, user, second_factor.draw_secret(), 1, keep="")
        codes = securing.set_factor(session, user, second_factor.draw_secret(), 1, keep="")
        assert securing.code_fits(session, user, codes[0])
        refusal_records.code(session, user, "203.0.113.77")
        securing.renew_codes(session, user)
        securing.remove_factor(session, user, keep="")
    with desk.database.writing() as session:
        secret = users.new_link(session, AllDealers(), desk.ids["adviser"], by=desk.ids["owner"])
        users.set_password(session, secret, passwords.hash_password(cast.PASSWORD))
        users.change_password(session, desk.ids["adviser"], passwords.hash_password(cast.PASSWORD), keep="")
    assert sign_in_form(desk.nobody(), "adviser@bows.example", "none of mine at all").status_code == 422


def _by_command(folder: Path) -> Database:
    """Keep the data by commands, in a place of its own, and return it."""
    environ = {"DATA_DIR": str(folder / "var"), "SECRET_KEY": SECRET}
    given = factories.write(folder / "given", factories.history(3, 3))
    place = ["--currency", "EUR", "--language", "en", "--country", "IE"]
    for arguments in (
        ["migrate"],
        ["load", str(given)],
        ["load", str(given), "--dry-run"],
        ["dealers", "add", "quay", "--name", "Quay", *place],
        ["dealers", "add", "quay", "--name", "Quay Strings", *place],
        ["fit"],
        ["dump", str(folder / "given-back")],
        ["backup", str(folder / "monday.backup")],
        ["restore", str(folder / "monday.backup"), "--force"],
        ["backup", str(folder / "tuesday.backup")],
    ):
        assert cli.main(arguments, environ) == 0, arguments
    return Database(f"sqlite:///{folder / 'var' / 'bows.db'}")


@contextmanager
def _closed(database: Database) -> Iterator[Database]:
    yield database
    database.close()


def test_what_happens_is_on_record_as_the_catalogue_has_it(desk: Desk, tmp_path: Path) -> None:
    world = World(desk)
    for happen in (_accounts, lambda _desk: _at_the_desk(world), _by_post, _the_clock):
        happen(desk)
    with _closed(_by_command(tmp_path)) as kept:
        entries = [*recorded(desk.database), *recorded(kept)]
        by_command = {entry.did: entry for entry in recorded(kept)}
    known = {event.did: event for event in CATALOGUE.values()}
    assert {entry.did for entry in entries} <= set(known)
    of_routes = {"GET", "POST", "others", "nobody"}
    assert {entry.about.split()[0] for entry in entries} - of_routes <= set(audit_events.THINGS)
    wrong = [(entry.did, entry.by) for entry in entries if entry.who is not None and STAFF not in known[entry.did].by]
    assert wrong == []
    done = {known[entry.did].name for entry in entries}
    elsewhere = {event.name for event in CATALOGUE.values() if _is_tested_elsewhere(event)}
    assert set(CATALOGUE) - done - elsewhere == set()
    # By a command: no account's name, and not 'nobody' either.
    assert {(entry.who, entry.by) for entry in by_command.values()} == {(None, audit_events.COMMAND)}
    assert by_command[audit_events.BACKED_UP.did].about == "backup tuesday.backup"
    assert by_command[audit_events.RESTORED.did].about == "backup monday.backup"
    assert by_command[audit_events.DATA_LOADED.did].detail["runs.csv"] > 0
    assert [entry.did for entry in entries].count(audit_events.DATA_LOADED.did) == 1, "a dry run loads nothing"


def _is_tested_elsewhere(event: AuditEvent) -> bool:
    """Say whether another test asserts an event, by its sentence or its constant."""
    told = (f'"{event.did}"', f"events.{event.name.upper()}")
    others = (path for path in TESTS.rglob("test_*.py") if path != Path(__file__))
    return any(each in text for text in (path.read_text(encoding="utf-8") for path in others) for each in told)


# Refused sign-ins


def refused(database: Database, did: AuditEvent = audit_events.SIGN_IN_REFUSED) -> list[audit.RecordedEvent]:
    return [entry for entry in recorded(database) if entry.did == did.did]


@pytest.mark.parametrize(
    ("typed", "about"),
    [
        ("Adviser@bows.example", "user {adviser}"),
        ("advisor@bows.example", "account a…@bows.example"),
        ("ada@shop.example", "account a…@elsewhere"),
        ("rosin kettle@amber loom", "account r…@elsewhere"),
        ("rosin kettle amber loom", "account …@elsewhere"),
        ("\x1b[2J@bows.example", "account …@bows.example"),
        ("", "account …@elsewhere"),
    ],
)
def test_a_refused_sign_in_tells_whose_account_and_no_address(desk: Desk, typed: str, about: str) -> None:
    client = Client(desk.app, "203.0.113.77")
    with desk.database.writing() as session:
        refusal_records.sign_in(session, typed, client.host)
    (entry,) = refused(desk.database)
    assert entry.about == about.format(**desk.ids)
    assert entry.detail == {"network": "203.0.113.0/24"}
    assert entry.dealer == (DEALER if "user" in about else None)


def test_a_sign_in_that_is_refused_at_the_form_is_on_record_once_and_then_counted(desk: Desk) -> None:
    for _time in range(3):
        assert sign_in_form(desk.nobody(), "adviser@bows.example", "none of mine at all").status_code == 422
    (entry,) = refused(desk.database)
    assert (entry.who, entry.by, entry.about) == (None, audit_events.STRANGER, f"user {desk.ids['adviser']}")
    assert entry.detail == {"network": "127.0.0.0/24", "times": 3}
    assert f"user {desk.ids['adviser']}" in desk.sign_in("owner").read("/desk/audit").text


def test_a_sign_in_that_had_to_wait_is_on_record_too(desk: Desk) -> None:
    # ASVS 5.0, 16.3.1: every try to sign in, whatever came of it.
    desk.give_password("adviser", passwords.hash_password(cast.PASSWORD))
    statuses = [sign_in_form(desk.nobody(), "adviser@bows.example", "not this").status_code for _time in range(9)]
    assert statuses == [422] * 5 + [429] * 4
    (entry,) = refused(desk.database)
    assert (entry.about, entry.detail["times"]) == (f"user {desk.ids['adviser']}", 9)


def test_so_is_one_of_an_address_of_the_network_that_tried_too_often(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(passwords, "fits", lambda *_: False)
    tries = SIGN_INS_PER_MINUTE + 3
    statuses = [sign_in_form(desk.nobody(), f"u{n}@bows.example", "not this").status_code for n in range(tries)]
    assert statuses == [422] * SIGN_INS_PER_MINUTE + [429] * 3
    assert [(entry.about, entry.detail["times"]) for entry in refused(desk.database)] == [
        ("account u…@bows.example", tries)
    ]


def test_nobody_fills_the_record_by_being_refused(desk: Desk) -> None:
    tries = 500
    with desk.database.writing() as session:
        for number in range(tries):
            refusal_records.sign_in(session, f"{number}@bows.example", f"198.51.{number % 250}.{number % 7}")
    entries = refused(desk.database)
    assert len(entries) == audit.MOST_AN_HOUR + 1
    assert sum(entry.detail.get("times", 1) for entry in entries) == tries
    assert [entry.about for entry in entries].count(audit.OTHERS) == 1
    with desk.database.writing() as session:
        long_ago = dt.datetime.now(dt.UTC) - 2 * audit.AN_HOUR
        for row in session.scalars(
            select(tables.AuditEntry).where(tables.AuditEntry.did == audit_events.SIGN_IN_REFUSED.did)
        ):
            row.at = long_ago
        refusal_records.sign_in(session, "adviser@bows.example", "198.51.100.1")
    assert len(refused(desk.database)) == audit.MOST_AN_HOUR + 2, "an hour later there is room again"


# What the staff are refused


@pytest.mark.parametrize(
    ("name", "ask", "route", "status"),
    [
        ("adviser", ("GET", "/desk/users"), "GET /desk/users", 403),
        ("strange owner", ("GET", "/desk/stock/DB-bramble-1"), "GET /desk/stock/{serial}", 404),
        ("stranger", ("POST", "/desk/stock/DB-bramble-1/status"), "POST /desk/stock/{serial}/status", 404),
    ],
)
def test_what_one_of_the_staff_is_refused_is_on_record_by_its_route(
    desk: Desk, name: str, ask: tuple[str, str], route: str, status: int
) -> None:
    for _time in range(2):
        member = desk.sign_in(name)
        reply = member.get(ask[1]) if ask[0] == "GET" else member.post(ask[1], {"status": "sold"})
        assert reply.status_code == status
    (entry,) = refused(desk.database, audit_events.ACCESS_REFUSED)
    assert (entry.who, entry.about) == (f"{name.replace(' ', '-')}@bows.example", route)
    assert entry.detail == {"status": status, "times": 2}
    assert "bramble" not in entry.about


def test_what_a_stranger_asks_for_in_vain_is_not_on_record(desk: Desk) -> None:
    for path in ("/desk/users", "/desk/stock/DB-bramble-1", "/desk/password/nobodys", "/advice/nobodys", "/nowhere"):
        desk.nobody().get(path)
    assert refused(desk.database, audit_events.ACCESS_REFUSED) == []


def test_of_what_is_on_record_in_lists_the_desk_shows_what_is_known(desk: Desk) -> None:
    with desk.database.writing() as session:
        was = [["kept", "DB-0001", None, None], ["returned", None]]
        audit.record(session, None, audit_events.TRIAL_REOPENED, "trial T-9", dealer=DEALER, outcomes=was)
    assert (
        "trial T-9 (outcomes: kept, DB-0001, kept first, then returned)"
        in desk.sign_in("owner").read("/desk/audit").text
    )

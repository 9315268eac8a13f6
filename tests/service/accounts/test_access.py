"""Signed links, tablets, accounts and the record: what may be made of what, and what is kept."""

import datetime as dt
import hashlib
import hmac
import json

import pytest
from sqlalchemy import select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service import tables
from service.accounts import dealer_list, users
from service.accounts.dealer_list import DealerInfo
from service.core import audit, audit_events, paging, tokens
from service.core.database import Database
from service.core.errors import ConflictError, InvalidInputError, NotFoundError
from service.core.scopes import AllDealers, OneDealer
from service.core.signed_links import Signer
from service.devices import tablets
from service.web import staff_sessions

SIGNER = Signer("0123456789abcdef" * 4)


# Links


def test_a_link_leads_back_to_what_it_was_made_for_and_to_nothing_else() -> None:
    token = SIGNER.make("seat", "3f2c-9")
    assert SIGNER.read("seat", token) == "3f2c-9"
    assert SIGNER.make("seat", "3f2c-9") == token
    for purpose, other in [
        ("mail", token),
        ("seat", token[:-1]),
        ("seat", token + "A"),
        ("seat", token.replace("3f2c", "3f2d")),
        ("seat", token.upper()),
        ("seat", ""),
        ("seat", "."),
        ("seat", "3f2c-9"),
        ("seat", "é.x"),
        ("seat", "3f2c-9.é"),
    ]:
        assert SIGNER.read(purpose, other) is None
    assert Signer("another secret of the service, 32+").read("seat", token) is None


def test_a_link_carries_at_least_the_bits_that_are_asked_for_and_fits_an_address() -> None:
    # ASVS 5.0, 7.2.3 (128 bits); RFC 2104, section 5 (no less than half of the hash); RFC 3986, 2.3 (unreserved).
    _id, _dot, signature = SIGNER.make("seat", "x.y_z-1").rpartition(".")
    assert len(signature) * 6 >= 128
    assert set(signature) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_")


def test_the_purpose_and_the_id_cannot_run_into_each_other() -> None:
    assert SIGNER.make("a", "b.c").split(".")[-1] != SIGNER.make("a.b", "c").split(".")[-1]


@pytest.mark.parametrize("about", ["", "a b", "é", "a/b", "a\0b", "a?b"])
def test_an_id_that_fits_no_path_is_refused(about: str) -> None:
    with pytest.raises(ValueError, match=r"got .* expected"):
        SIGNER.make("seat", about)


# Tablets


@pytest.fixture
def shop(any_database: Database) -> Database:
    """Two invented dealers and an adviser of the first, on each kind of database."""
    with any_database.writing() as session:
        for slug in ("harbour", "hill"):
            session.add(tables.Dealer(slug=slug, name=f"{slug.capitalize()} (invented)"))
        session.flush()
        users.add(session, "ada@bows.example", "adviser", "harbour")
    return any_database


def _ada(session: Session) -> int:
    return session.scalars(select(tables.User.id)).one()


def test_a_tablet_is_enrolled_once_by_its_code_however_that_is_typed(shop: Database) -> None:
    with shop.writing() as session:
        code = tablets.make_code(session, _ada(session), "harbour", "  Trial   room ")
    with shop.writing() as session:
        tablet, key = tablets.enrol(session, f" {code[:4].lower()}-{code[4:]} ")
        assert (tablet.dealer, tablet.name, tablet.revoked) == ("harbour", "Trial room", False)
        with pytest.raises(NotFoundError):
            tablets.enrol(session, code)
    with shop.reading() as session:
        assert tablets.tablet_of(session, key) == tablet
        assert tablets.tablet_of(session, key + "a") is None
        row = session.scalars(select(tables.Tablet)).one()
        kept = {row.digest, row.file_key, row.id}
        assert (row.digest, row.file_key) == (
            hashlib.sha256(key.encode()).hexdigest(),
            hmac.new(key.encode(), b"sheets file", "sha256").hexdigest(),
        )
        assert key not in kept


def test_a_code_is_short_lived_and_free_of_look_alikes(shop: Database) -> None:
    with shop.writing() as session:
        codes = {tablets.make_code(session, _ada(session), "harbour", "Room") for _time in range(30)}
        assert len(codes) == 30
        assert {len(code) for code in codes} == {8}
        assert not set("".join(codes)) & set("0O1IL5S2Z8BU")
        lives = session.scalars(select(tables.TabletCode.expires_at)).all()
        assert all(life - dt.datetime.now(dt.UTC) <= dt.timedelta(minutes=15) for life in lives)
        assert not set(session.scalars(select(tables.TabletCode.digest))) & codes
        session.execute(update(tables.TabletCode).values(expires_at=dt.datetime.now(dt.UTC)))
        with pytest.raises(NotFoundError):
            tablets.enrol(session, codes.pop())


@pytest.mark.parametrize("name", ["", "   ", "x" * 61])
def test_a_tablet_needs_a_name(shop: Database, name: str) -> None:
    with shop.writing() as session, pytest.raises(InvalidInputError, match="at most 60 characters"):
        tablets.make_code(session, _ada(session), "harbour", name)


def test_a_revoked_tablet_is_known_no_more_and_stays_in_the_list(shop: Database) -> None:
    with shop.writing() as session:
        tablet, key = tablets.enrol(session, tablets.make_code(session, _ada(session), "harbour", "Room"))
        with pytest.raises(NotFoundError):
            tablets.revoke(session, None, "hill", tablet.id)
        assert tablets.tablet_of(session, key) is not None
        tablets.revoke(session, _ada(session), "harbour", tablet.id)
        tablets.revoke(session, _ada(session), "harbour", tablet.id)
        assert tablets.tablet_of(session, key) is None
        assert [each.revoked for each in tablets.listed(session, "harbour")] == [True]
        assert tablets.listed(session, "hill") == []


def test_a_tablet_is_noted_as_seen_once_a_minute(shop: Database) -> None:
    now = dt.datetime(2026, 3, 1, 12, tzinfo=dt.UTC)
    with shop.writing() as session:
        tablet, _key = tablets.enrol(session, tablets.make_code(session, _ada(session), "harbour", "Room"))
        for seconds in (0, 30, 59, 61):
            tablets.seen(session, tablet.id, now + dt.timedelta(seconds=seconds))
        assert tablets.listed(session, "harbour")[0].seen_at == now + dt.timedelta(seconds=61)


# Accounts


def test_a_known_address_gets_a_new_link_and_a_changed_role_ends_its_sessions(shop: Database) -> None:
    with shop.writing() as session:
        first = users.add(session, "eve@bows.example", "adviser", "harbour")
        secret = staff_sessions.begin(session, first.account.id)
        again = users.add(session, " Eve@Bows.example ", "adviser", "harbour", name="Eve")
        assert (first.new, again.new, again.account.name) == (True, False, "Eve")
        assert staff_sessions.find(session, secret) is not None
        with pytest.raises(NotFoundError):
            users.link_of(session, first.secret)
        assert users.link_of(session, again.secret).id == first.account.id
        users.add(session, "eve@bows.example", "workshop")
        assert staff_sessions.find(session, secret) is None


def test_a_link_sets_a_password_once_and_ends_sessions(shop: Database) -> None:
    with shop.writing() as session:
        ada = _ada(session)
        opened, link = staff_sessions.begin(session, ada), users.new_link(session, AllDealers(), ada)
    with shop.writing() as session:
        assert users.credentials(session, "ada@bows.example").user is None
        assert users.set_password(session, link, "a digest").id == ada
        assert users.credentials(session, "ADA@bows.example ") == users.Credentials(ada, "a digest")
        assert staff_sessions.find(session, opened) is None
    with shop.writing() as session, pytest.raises(NotFoundError):
        users.set_password(session, link, "another digest")


def test_a_session_is_seen_listed_and_swept_on_each_kind_of_database(shop: Database) -> None:
    with shop.writing() as session:
        ada = _ada(session)
        began = dt.datetime(2026, 3, 1, 8, tzinfo=dt.UTC)
        secret = staff_sessions.begin(session, ada, now=began)
        later = began + dt.timedelta(minutes=90)
        staff_sessions.seen(session, tokens.digest(secret), later)
        staff_sessions.seen(session, tokens.digest(secret), began)
        (open_,) = staff_sessions.of_user(session, ada, later)
        assert (open_.created_at, open_.seen_at) == (began, later)
        assert staff_sessions.find(session, secret, later + staff_sessions.IDLE - dt.timedelta(seconds=1)) is not None
        assert staff_sessions.find(session, secret, later + staff_sessions.IDLE) is None
        staff_sessions.begin(session, ada, now=began + staff_sessions.LIFE)
        assert [each.created_at for each in staff_sessions.of_user(session, ada, began + staff_sessions.LIFE)] == [
            began + staff_sessions.LIFE
        ]


@pytest.mark.parametrize(
    ("email", "role", "dealer", "field"),
    [
        ("eve", "owner", None, "email"),
        ("eve@bows.example\r\nBcc: x@y.z", "owner", None, "email"),
        ("a@b@c", "owner", None, "email"),
        ("e" * 250 + "@x.org", "owner", None, "email"),
        ("eve@bows.example", "player", None, "role"),
        ("eve@bows.example", "adviser", None, "role"),
        ("eve@bows.example", "adviser", "nowhere", "dealer"),
    ],
)
def test_an_account_that_cannot_be_is_refused_by_field(
    shop: Database, email: str, role: str, dealer: str | None, field: str
) -> None:
    with shop.writing() as session:
        with pytest.raises(InvalidInputError) as refused:
            users.add(session, email, role, dealer)
        assert [problem.path for problem in refused.value.problems] == [field]


def test_the_last_owner_of_all_cannot_be_lost(shop: Database) -> None:
    with shop.writing() as session:
        owner = users.add(session, "owner@bows.example", "owner").account.id
        users.add(session, "bound@bows.example", "owner", "harbour")
        for lose in (
            lambda: users.disable(session, AllDealers(), owner),
            lambda: users.add(session, "owner@bows.example", "workshop"),
            lambda: users.add(session, "owner@bows.example", "owner", "harbour"),
        ):
            with pytest.raises(ConflictError, match="only owner left"):
                lose()
        users.add(session, "second@bows.example", "owner")
        users.disable(session, AllDealers(), owner)
        assert users.account(session, AllDealers(), owner).disabled


def test_the_database_itself_refuses_an_adviser_without_a_dealer_and_a_second_account(shop: Database) -> None:
    now = dt.datetime.now(dt.UTC)
    for row in (
        tables.User(email="x@bows.example", role="adviser", created_at=now),
        tables.User(email="ada@bows.example", role="owner", created_at=now),
        tables.User(email="Upper@bows.example", role="owner", created_at=now),
    ):
        with pytest.raises(IntegrityError), shop.writing() as session:
            session.add(row)


def test_an_account_bound_to_a_dealer_acts_for_it_whatever_its_session_says(shop: Database) -> None:
    with shop.writing() as session:
        secret = staff_sessions.begin(session, _ada(session))
        staff_sessions.act_for(session, tokens.digest(secret), "hill")
        found = staff_sessions.find(session, secret)
        assert found is not None
        assert (found.home, found.dealer, found.dealer_name) == ("harbour", "harbour", "Harbour (invented)")


def test_who_is_bound_to_none_acts_for_the_only_dealer_or_chooses(any_database: Database) -> None:
    with any_database.writing() as session:
        owner = users.add(session, "owner@bows.example", "owner").account.id
        acting = []
        for slug in (None, "harbour", "hill"):
            if slug:
                dealer_list.add(session, DealerInfo(slug, slug.capitalize()))
            found = staff_sessions.find(session, staff_sessions.begin(session, owner))
            acting.append(found.dealer if found else "nobody")
        assert acting == [None, "harbour", None]


# Dealers


def test_a_dealer_known_from_a_file_is_completed(any_database: Database) -> None:
    with any_database.writing() as session:
        session.add(tables.Dealer(slug="harbour", name="harbour", carry_cost=0.2))
        session.flush()
        assert not dealer_list.add(session, DealerInfo("harbour", "Harbour Strings", "EUR", "de", "AT"))
        assert dealer_list.listed(session, AllDealers()) == [
            DealerInfo("harbour", "Harbour Strings", "EUR", "de", "AT", 0.2)
        ]
        assert dealer_list.add(session, DealerInfo("hill", "Hill Strings", "CHF", "fr", "CH", 0.05))


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"slug": "Harbour Strings"}, "slug"),
        ({"slug": "-"}, "slug"),
        ({"name": " "}, "name"),
        ({"currency": "EURO"}, "currency"),
        ({"language": "tlh"}, "language"),
        ({"country": "Austria"}, "country"),
        ({"country": "ZZ"}, "country"),
        ({"carry_cost": -1.0}, "carry-cost"),
        ({"carry_cost": float("nan")}, "carry-cost"),
    ],
)
def test_a_dealer_that_cannot_be_is_refused_by_field(
    any_database: Database, changed: dict[str, object], field: str
) -> None:
    given = DealerInfo(**{"slug": "harbour", "name": "Harbour", "currency": "EUR", **changed})  # type: ignore[arg-type] # as a user may
    with any_database.writing() as session, pytest.raises(InvalidInputError) as refused:
        dealer_list.add(session, given)
    assert [problem.path for problem in refused.value.problems] == [field]


# The record


def test_what_was_done_is_on_record_newest_first_and_by_dealer(shop: Database) -> None:
    with shop.writing() as session:
        ada = _ada(session)
        audit.record(session, ada, audit_events.TRIAL_OPENED, "trial T-1", dealer="harbour", bows=3)
        audit.record(session, None, audit_events.TABLET_ENROLLED, "tablet x", dealer="hill")
    with shop.reading() as session:
        newest, *_rest = audit.entries(session, AllDealers()).rows
        (opened, *_made) = audit.entries(session, OneDealer("harbour")).rows
        assert (newest.who, newest.dealer) == (None, "hill")
        assert (opened.who, opened.did, opened.about, opened.detail) == (
            "ada@bows.example",
            "opened a trial",
            "trial T-1",
            {"bows": 3},
        )
        assert {entry.dealer for entry in audit.entries(session, OneDealer("harbour")).rows} == {"harbour"}
        assert audit.entries(session, AllDealers(), paging.written(newest.at, newest.id)).rows[0] == opened


def test_what_is_undone_is_not_on_record(shop: Database) -> None:
    def open_and_fail() -> None:
        with shop.writing() as session:
            audit.record(session, None, audit_events.TRIAL_OPENED, "trial T-2", dealer=None)
            raise RuntimeError("stop")

    with pytest.raises(RuntimeError, match="stop"):
        open_and_fail()
    with shop.reading() as session:
        assert "T-2" not in json.dumps([entry.about for entry in audit.entries(session, AllDealers()).rows])

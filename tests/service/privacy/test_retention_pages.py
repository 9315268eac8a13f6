"""What an owner is asked about erasing by age: by whom it may be answered, and that only what was read is agreed to."""

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import select

from service import tables
from service.core.scopes import AllDealers
from service.privacy import clock, mass_erasure, retention
from tests.service import cast
from tests.service.cast import DEALER, OTHER, Desk
from tests.service.desk_shop import fields_of
from tests.service.page import Page

NOW = dt.datetime.now(dt.UTC)
THREE_YEARS = dt.timedelta(days=3 * 365)
MANY = mass_erasure.MOST_A_DAY + 5


@pytest.fixture
def desk(tmp_path: Path, _migrated_file: Path) -> Iterator[Desk]:
    with cast.opened(tmp_path, _migrated_file) as opened:
        yield opened


def ask(desk: Desk, dealer: str, persons: int = MANY) -> None:
    with desk.database.writing() as session:
        assert not mass_erasure.may_erase(session, dealer, persons, NOW)


def work_known_at(desk: Desk, moment: dt.datetime) -> None:
    with desk.database.writing() as session:
        clock.confirm(session, None, moment)


def alarm(page: Page) -> str:
    found = [element for element in page.elements if element.get("id") == "alarms"]
    return found[0].within("section").text if found else ""  # type: ignore[union-attr]  # it stands in one


def form_to(page: Page, address: str) -> dict[str, str]:
    """Return what a browser would send of a page's form."""
    (form,) = (form for form in page.all("form") if form.get("action") == address)
    return {name: values[0] for name, values in fields_of(form).items()}


def test_an_owner_lets_persons_go_as_read_and_it_is_recorded(desk: Desk) -> None:
    owner = desk.sign_in("owner")
    assert alarm(owner.read("/desk")) == ""
    assert "Nothing is asked of you" in owner.read("/desk/retention").text
    ask(desk, DEALER)
    assert f"The time of {MANY} persons is over." in alarm(owner.read("/desk"))
    assert alarm(desk.sign_in("adviser").read("/desk")) == ""
    page = owner.read("/desk/retention")
    fields = form_to(page, "/desk/retention/erase")
    ask(desk, DEALER, MANY + 1)  # one more, after the page was read
    assert "please read it again" in owner.submit("/desk/retention/erase", fields).text
    fields = form_to(owner.read("/desk/retention"), "/desk/retention/erase")
    assert owner.send("POST", "/desk/retention/erase", data=fields | {"csrf": "x"}).status_code == 403
    assert "They are erased within the hour." in owner.submit("/desk/retention/erase", fields).text
    assert alarm(owner.read("/desk")) == ""
    with desk.database.reading() as session:
        (question,) = mass_erasure.questions(session, AllDealers())
        assert question.allowed
        entry = session.scalars(select(tables.AuditEntry).order_by(tables.AuditEntry.id.desc())).first()
        assert entry is not None
        assert (entry.user, entry.dealer, entry.detail) == (desk.ids["owner"], DEALER, {"persons": MANY + 1})


def test_an_owner_bound_to_a_dealer_sees_and_answers_that_dealers_only(desk: Desk) -> None:
    ask(desk, DEALER)
    stranger = desk.sign_in("strange owner")
    assert alarm(stranger.read("/desk")) == ""
    for persons in (str(MANY), "9" * 30, "-1", ""):
        reply = stranger.submit("/desk/retention/erase", {"dealer": DEALER, "persons": persons})
        assert "asked no more" in reply.text
    ask(desk, OTHER)
    fields = form_to(stranger.read("/desk/retention"), "/desk/retention/erase")
    assert fields["dealer"] == OTHER
    stranger.submit("/desk/retention/erase", fields)
    with desk.database.reading() as session:
        assert {each.dealer: each.allowed for each in mass_erasure.questions(session, AllDealers())} == {
            DEALER: False,
            OTHER: True,
        }


def test_nobody_is_let_go_while_the_clock_is_not_believed(desk: Desk) -> None:
    ask(desk, DEALER)
    owner = desk.sign_in("owner")
    fields = form_to(owner.read("/desk/retention"), "/desk/retention/erase")
    work_known_at(desk, NOW - THREE_YEARS)
    page = owner.read("/desk/retention")
    assert [form.get("action") for form in page.all("form") if "erase" in form.get("action")] == []
    assert "First the clock has to be right." in owner.submit("/desk/retention/erase", fields).text
    with desk.database.reading() as session:
        assert [each.allowed for each in mass_erasure.questions(session, AllDealers())] == [False]


@pytest.mark.parametrize("off", [THREE_YEARS, -THREE_YEARS], ids=["ahead", "behind"])
def test_an_owner_of_all_says_that_the_clock_is_right_and_a_bound_one_cannot(desk: Desk, off: dt.timedelta) -> None:
    work_known_at(desk, NOW - off)
    owner, stranger = desk.sign_in("owner"), desk.sign_in("strange owner")
    assert "nobody is erased by age" in alarm(owner.read("/desk"))
    assert retention.sweep_if_due(desk.database, NOW) is None
    bound = stranger.read("/desk/retention")
    assert "an owner who looks after all dealers can say so" in bound.text
    assert [form for form in bound.all("form") if "clock" in form.get("action")] == []
    stranger.submit("/desk/retention/clock", {"shown": NOW.isoformat()})
    assert retention.sweep_if_due(desk.database, NOW) is None
    page = owner.read("/desk/retention")
    # A page that was read under another clock says nothing of this one.
    for shown in ((NOW + off).isoformat(), "yesterday", "", "2026-01-01"):
        assert "please read it again" in owner.submit("/desk/retention/clock", {"shown": shown}).text
    assert retention.sweep_if_due(desk.database, NOW) is None
    owner.submit("/desk/retention/clock", form_to(page, "/desk/retention/clock"))
    assert alarm(owner.read("/desk")) == ""
    assert retention.sweep_if_due(desk.database, dt.datetime.now(dt.UTC)) is not None

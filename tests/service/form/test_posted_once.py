"""What one post costs: its answers are checked once, and written in a handful of statements, on both databases."""

import datetime as dt
import json
import uuid
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event, select, update

from service import tables
from service.core.database import Database
from service.form import drafts
from service.questionnaire import forms
from tests.service.client import BROWSER, Client, add_small_range, serving, settings_in
from tests.service.page import Page, Reader, standing

BASS = {"instrument": "double_bass", "hold": "german", "strings": "4"}
OWN = {"own_bow": "yes", "own_kind": "wood", "own_mass_g": "134,5", "own_rating_overall": "4"}
WISHES = {"priority_1": "response", "priority_3": "ease", "wish_mass": "-1"}
BUDGET = {"amount": "2 600", "currency": "EUR", "stretch_percent": "10", "minutes": "40", "place": "shop"}
CONTACT = {"name": "Ada Invented", "email": "ada@example.org", "consent_advice": "yes", "consent_mail": "yes"}
MOST_STATEMENTS, TO_BE_FOUND = 6, 1
"""Of a post, and what it takes more where somebody says who they are: the words by which the desk finds them."""


@dataclass
class Costs:
    """What was counted since it was last asked for."""

    statements: list[str] = field(default_factory=list)
    checks: int = 0

    def taken(self) -> tuple[int, list[str]]:
        """Return the checks and the statements, and count anew."""
        found = self.checks, self.statements
        self.checks, self.statements = 0, []
        return found


class Counting:
    """A questionnaire's validator that counts how often it is asked."""

    def __init__(self, validator: Any, costs: Costs) -> None:
        self._validator, self._costs = validator, costs

    def __getattr__(self, name: str) -> Any:
        if name.startswith("validate_"):
            self._costs.checks += 1
        return getattr(self._validator, name)


@pytest.fixture
def served(any_database: Database, tmp_path: Path) -> Iterator[Client]:
    """Give an application on each kind of database, whose dealer is told of enquiries by mail and in a system of its own."""
    address = any_database.url.render_as_string(hide_password=False)
    with serving(settings_in(tmp_path, database_url=address, advice_per_minute=0)) as client:
        add_small_range(client.database)
        with client.database.writing() as session:
            where = {"notify": "shop@harbour.example", "webhook": "https://harbour.example/bows"}
            session.add(tables.Door(dealer="harbour", changed_at=dt.datetime.now(dt.UTC), **where))
        # The range and the keys are read once in a process, the first time that anybody asks.
        posted(Reader(client.app), CONTACT | {"email": "first@example.org"})
        yield client


@pytest.fixture
def costs(served: Client, monkeypatch: pytest.MonkeyPatch) -> Costs:
    found = Costs()

    def note(_connection: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
        # What begins a transaction says nothing; the driver of PostgreSQL sends it unseen.
        if not statement.startswith(("PRAGMA query_only", "BEGIN")):
            found.statements.append(statement)

    event.listen(served.database.engine, "before_cursor_execute", note)
    validator = Counting(forms.Questionnaire.__pydantic_validator__, found)
    monkeypatch.setattr(forms.Questionnaire, "__pydantic_validator__", validator)
    return found


def at_contact(reader: Reader, work: Mapping[str, Any] | None = None) -> Page:
    """Return the last step's page, with everything before it answered."""
    page = reader.send(reader.get("/?dealer=harbour"))
    for fields in (BASS, work or {"settings": ["orchestra"]}, OWN, WISHES, BUDGET):
        page = reader.send(page, fields)
    return page


def sent(client: Client, page: Page, fields: Mapping[str, Any]) -> str:
    """Send a page's form as a browser does, follow its answer no further, and return where it leads."""
    form = page.all("form")[0]
    data = {**standing(form), **fields, "go": "next"}
    reply = client.send("POST", form.get("action"), data=data, headers=BROWSER | {"Sec-Fetch-Mode": "navigate"})
    assert reply.status_code == 303
    return str(reply.headers["location"])


def posted(reader: Reader, fields: Mapping[str, str]) -> Page:
    """Answer everything and return the answer's page."""
    page = reader.send(at_contact(reader), fields)
    assert page.address.startswith("/advice/")
    return page


@pytest.mark.parametrize("fields", [{}, CONTACT], ids=["nobody", "somebody"])
def test_the_last_post_is_checked_once_and_takes_six_statements(
    served: Client, costs: Costs, fields: dict[str, str]
) -> None:
    reader = Reader(served.app)
    page = at_contact(reader)
    costs.taken()
    led = sent(served, page, fields)
    checks, statements = costs.taken()
    assert led.startswith("/advice/")
    assert checks == 1
    assert len(statements) <= MOST_STATEMENTS + (TO_BE_FOUND if fields else 0), statements
    with served.database.reading() as session:
        enquiry = session.scalars(select(tables.Enquiry).order_by(tables.Enquiry.created_at.desc())).first()
        assert enquiry is not None
        kinds = set(session.scalars(select(tables.OutboxItem.kind).where(tables.OutboxItem.about == enquiry.id)))
    assert kinds == {"enquiry_notice", "enquiry_event"} | ({"advice"} if fields else set())
    assert enquiry.answers["own_bow"] == {"kind": "wood", "mass_g": 134.5, "ratings": {"overall": 4}}


def test_every_step_is_checked_once_and_read_and_kept_in_two_statements(served: Client, costs: Costs) -> None:
    reader = Reader(served.app)
    page = reader.send(reader.get("/?dealer=harbour"))
    for fields in (BASS, {"settings": ["orchestra"]}, OWN, WISHES, BUDGET):
        costs.taken()
        led = sent(served, page, fields)
        checks, statements = costs.taken()
        assert (checks, len(statements)) == (1, 2), (fields, statements)
        page = reader.get(led)


def test_a_step_with_mistakes_is_checked_once_too(served: Client, costs: Costs) -> None:
    reader = Reader(served.app)
    page = reader.send(reader.send(reader.get("/?dealer=harbour")), BASS)
    page = reader.get(f"{page.address.rsplit('/', 1)[0]}/budget")
    costs.taken()
    assert sent(served, page, {"amount": "0", "currency": "EURO", "minutes": "3"}).endswith("/budget?check=yes")
    assert costs.taken()[0] == 1


def test_many_bows_played_are_checked_at_once(served: Client, costs: Costs) -> None:
    reader = Reader(served.app)
    page = reader.send(reader.send(reader.get("/?dealer=harbour")), BASS)
    page = reader.get(f"{page.address.rsplit('/', 1)[0]}/tried")
    bows = {f"tried_{row}_copy": f"db bramble {row - 1}" for row in (1, 2, 3)}
    costs.taken()
    assert sent(served, page, bows | {f"tried_{row}_overall": "5" for row in (1, 2, 3)}).endswith("/wishes")
    assert costs.taken()[0] == 1


def test_json_is_checked_once_and_takes_as_few_statements(served: Client, costs: Costs) -> None:
    consent = {"advice": True, "mail": True}
    body = {
        "id": str(uuid.uuid4()),
        "instrument": "double_bass",
        "hold": "german",
        "dealer": "harbour",
        "contact": {"email": "ada@example.org", "consent": consent},
    }
    costs.taken()
    assert served.advice(json.dumps(body).encode()).status_code == 200
    checks, statements = costs.taken()
    assert checks == 1
    assert len(statements) <= MOST_STATEMENTS + TO_BE_FOUND, statements


# What was checked is kept with the questions that it was checked by


def test_a_draft_of_other_questions_is_checked_anew_by_todays(served: Client, costs: Costs) -> None:
    reader = Reader(served.app)
    page = at_contact(reader)
    with served.database.writing() as session:
        row = session.get_one(tables.Draft, page.address.split("/")[2])
        # As if an earlier version, by whose rules so many strings were right, had kept it.
        typed = {**row.answers["typed"], "instrument": {**row.answers["typed"]["instrument"], "strings": ["9"]}}
        given = {**row.answers["given"], "instrument": {"instrument": "double_bass", "hold": "german", "strings": 9}}
        stored = {**row.answers, "typed": typed, "given": given, "questions": "another"}
        session.execute(update(tables.Draft).where(tables.Draft.id == row.id).values(answers=stored))
    costs.taken()
    page = reader.send(page, {})
    assert page.address.endswith("/instrument")
    assert "Strings: Choose one of the answers." in page.text
    assert costs.taken()[0] > 1


def test_a_draft_of_a_version_that_kept_only_what_was_typed_goes_on(served: Client) -> None:
    reader = Reader(served.app)
    page = at_contact(reader)
    with served.database.writing() as session:
        row = session.get_one(tables.Draft, page.address.split("/")[2])
        before = {key: value for key, value in row.answers.items() if key not in {"given", "faulty", "questions"}}
        session.execute(update(tables.Draft).where(tables.Draft.id == row.id).values(answers=before))
    page = reader.send(page, {})
    assert page.address.startswith("/advice/")
    with served.database.reading() as session:
        enquiry = session.scalars(select(tables.Enquiry).order_by(tables.Enquiry.created_at.desc())).first()
        assert enquiry is not None
        assert enquiry.answers["settings"] == ["orchestra"]


def test_a_contact_is_kept_in_one_place_of_a_draft(served: Client) -> None:
    with served.database.writing() as session:
        begun = drafts.begin(session, "harbour")
        drafts.keep(session, drafts.answered(begun, "contact", {name: [value] for name, value in CONTACT.items()}))
    with served.database.reading() as session:
        kept = session.get_one(tables.Draft, begun.address).answers
        assert json.dumps(kept).count("ada@example.org") == 1

"""What the tests of the desk's pages share: a desk with an enquiry, and trials in every state, rated sheet by sheet."""

import datetime as dt
import uuid
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service import tables
from service.advice import advise
from service.questionnaire import forms
from service.questionnaire.sheet_fields import SheetIn
from service.trials import desk_reads, sheets
from tests.service import cast, trial_cast
from tests.service.cast import DEALER, Desk, Member
from tests.service.page import Element, Page

CLARA = {"name": "Clara Ahrens (invented)", "email": "clara@bows.example", "consent": {"advice": True, "mail": True}}
ANSWERS: Mapping[str, Any] = {
    "instrument": "double_bass",
    "hold": "german",
    "settings": ["orchestra"],
    "budget": {"amount": 2600, "currency": "EUR"},
    "own_bow": {"kind": "wood", "ratings": {"overall": 4}},
    "trial": {"minutes": 60, "place": "shop"},
}


@dataclass
class Shop:
    """The desk with its adviser signed in."""

    desk: Desk
    adviser: Member

    def enquire(self, contact: Mapping[str, Any] | None = CLARA, **changes: Any) -> str:
        """Let a player ask, and return the enquiry's id."""
        body = {**ANSWERS, "dealer": DEALER, "id": str(uuid.uuid4()), **changes}
        body |= {"contact": dict(contact)} if contact else {}
        with self.desk.database.writing() as session:
            found: str = advise.advise(session, forms.check(body))["id"]
        return found

    def compose(self, **changes: Any) -> str:
        """Compose a trial of three bows for today and return its key."""
        with self.desk.database.writing() as session:
            return trial_cast.compose(session, on=dt.datetime.now(dt.UTC).date().isoformat(), **changes)

    def opened(self, **changes: Any) -> str:
        """Compose and open a trial and return its key."""
        key = self.compose(**changes)
        assert self.adviser.post(f"/desk/trials/{key}/open").status_code == 303
        return key

    def rate(self, key: str, marks: Sequence[int], rater: str = "player", note: str | None = None) -> list[str]:
        """Let sheets come in for the first places of a trial, from a screen of their own; return their letters."""
        with self.desk.database.reading() as session:
            slots = desk_reads.trial(session, DEALER, key).slots
        rated = list(zip(slots, marks, strict=False))
        for slot, mark in rated:
            self._record(key, slot.position, slot.letter, mark, rater, note)
        return [slot.letter for slot, _mark in rated]

    def _record(self, key: str, position: int, letter: str, mark: int, rater: str, note: str | None) -> None:
        now = dt.datetime.now(dt.UTC)
        ratings = {"overall": mark, "clarity": "cannot_tell"}
        sheet = SheetIn.model_validate(
            {
                "revision": 1,
                "position": position,
                "letter": letter,
                "rater": rater,
                "ratings": ratings,
                "note": note,
                "rated_at": now,
                "sent_at": now,
            }
        )
        with self.desk.database.writing() as session:
            sheets.record(session, DEALER, key, str(uuid.uuid4()), sheet, "a test")

    def state(self, key: str) -> str:
        """Return a trial's state."""
        with self.desk.database.reading() as session:
            return trial_cast.composition(session, key).state

    def status(self, serial: str) -> str | None:
        """Return what is said of a bow."""
        with self.desk.database.reading() as session:
            return session.get_one(tables.Copy, serial).status

    def in_country(self, dealer_in: str) -> None:
        """Say in which country the shop is."""
        with self.desk.database.writing() as session:
            session.get_one(tables.Dealer, DEALER).country = dealer_in


@contextmanager
def opened(folder: Path, migrated: Path) -> Iterator[Shop]:
    """Give the desk of a small invented shop."""
    with cast.opened(folder, migrated) as desk:
        yield Shop(desk, desk.sign_in("adviser"))


def fields_of(form: Element) -> dict[str, list[str]]:
    """Return what a browser would send of a form, the ticked boxes that are disabled apart."""
    fields: dict[str, list[str]] = {}
    for element in form.walk():
        kind, chosen = element.get("type"), "checked" in element.attributes
        if (
            element.tag == "input"
            and "disabled" not in element.attributes
            and (kind not in ("radio", "checkbox") or chosen)
        ):
            fields.setdefault(element.get("name"), []).append(element.get("value"))
        if element.tag == "select":
            options = [e for e in element.walk() if e.tag == "option"]
            first = [e for e in options if "selected" in e.attributes] or options[:1]
            fields.setdefault(element.get("name"), []).extend(e.get("value") for e in first)
    return fields


def form_to(page: Page, action: str) -> Element:
    """Return the page's form that is posted to an address ending so."""
    return next(form for form in page.all("form", method="post") if form.get("action").endswith(action))


def send(member: Member, page: Page, action: str, **changes: Any) -> Page:
    """Send a form as it stands, with ``changes``, and return the page that it leads to."""
    form = form_to(page, action)
    fields = fields_of(form) | changes
    found = Page(member.send("POST", form.get("action"), data=fields, follow=True))
    assert found.faults == []
    return found

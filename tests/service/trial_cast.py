"""What the tests of trials share: an invented shop with its bows, a trial composed by keyword, and sheets that count."""

import datetime as dt
import uuid
from collections.abc import Mapping
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service import tables
from service.core.database import Database
from service.questionnaire.forms import Composing, check_as
from service.trials import composing, lifecycle
from tests.service.client import add_small_range

SHOP = "harbour"
ON = dt.date(2027, 5, 3)
BASS = {"instrument": "double_bass", "hold": "german", "budget": {"amount": 2600, "currency": "EUR"}}
BOWS = ("DB-bramble-0", "DB-juniper-0", "DB-juniper-1")


def open_shop(database: Database) -> Database:
    """Put the small range on sale at a shop in Germany, and another shop beside it in Austria."""
    add_small_range(database)
    with database.writing() as session:
        session.get_one(tables.Dealer, SHOP).country = "DE"
        session.add(tables.Dealer(slug="quay", name="Quay (invented)", currency="EUR", country="AT"))
        session.flush()
        session.add(tables.Copy(serial="DB-quay-0", tier="juniper", hold="german", dealer="quay", status="in_stock"))
        session.add(tables.Copy(serial="DB-shed-0", tier="juniper", hold="german", dealer=None, status="in_stock"))
    return database


def request(**changes: Any) -> Composing:
    """Return a trial to be composed: three bows for a bassist in the shop, on one day, whose ratings may help others."""
    body: dict[str, Any] = {
        "id": str(uuid.uuid4()),
        "model_consent": None if changes.get("contact") else True,
        "answers": BASS,
        "copies": list(BOWS),
        "minutes": 60,
        "on": ON.isoformat(),
    }
    return check_as(Composing, body | changes)


def compose(session: Session, dealer: str = SHOP, **changes: Any) -> str:
    """Compose a trial and return its key."""
    return composing.compose(session, None, dealer, request(**changes))


def lend(session: Session, **changes: Any) -> str:
    """Compose a trial by post for today, send its parcel, and return its key."""
    today = dt.datetime.now(dt.UTC).date()
    back = today + dt.timedelta(days=14)
    usual = {"on": today.isoformat(), "due_back": back.isoformat(), "place": "post", "country": "DE"}
    given: dict[str, Any] = {"copies": list(BOWS)} | usual | changes
    key = compose(session, **given)
    lifecycle.send(session, None, SHOP, key, dict.fromkeys(given["copies"], "as new"))
    return key


def composition(session: Session, key: str) -> tables.Composition:
    """Return how a trial was composed."""
    of = tables.Composition
    joined = select(of).join(tables.Trial, tables.Trial.id == of.trial).where(tables.Trial.key == key)
    return session.scalars(joined).one()


def slots(session: Session, key: str) -> list[tables.Slot]:
    """Return the order of a trial."""
    slot = tables.Slot
    joined = select(slot).join(tables.Trial, tables.Trial.id == slot.trial).where(tables.Trial.key == key)
    return list(session.scalars(joined.order_by(slot.position)))


def rate(session: Session, key: str, marks: Mapping[str | None, int], places: int | None = None) -> None:
    """Let the player rate the first ``places`` of the order (None: all), each bow with its mark, None the own bow."""
    for slot in slots(session, key)[:places]:
        mark = marks[slot.copy]
        run = {"overall": mark, "response": mark, "clarity": None, "cannot_tell": "clarity"}
        session.add(tables.Run(trial=slot.trial, position=slot.position, copy=slot.copy, rater="player", **run))
    session.flush()


def status(session: Session, serial: str) -> str | None:
    """Return what is said of a bow."""
    return session.scalar(select(tables.Copy.status).where(tables.Copy.serial == serial))

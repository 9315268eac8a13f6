"""A shop of the demo data at work: trials opened and half rated, enquiries, and who asks for their pages."""

import datetime as dt
import time
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service import tables
from service.accounts import users
from service.core import tokens
from service.core.database import Database
from service.dealers import api_keys
from service.devices import tablets
from service.privacy import clock
from service.questionnaire.forms import Composing, check, check_as
from service.questionnaire.sheet_fields import SheetIn
from service.trials import composing, lifecycle, sheets
from service.web import staff_sessions

SPAN = dt.timedelta(days=30)
"""Between two trials, so that no bow is wanted twice."""


@dataclass(frozen=True, slots=True)
class Place:
    """A place of a trial that is not rated yet."""

    trial: str
    position: int
    letter: str


@dataclass(frozen=True, slots=True)
class Shop:
    """What a request of the desk, of a tablet and of a dealer's server is sent with; the trials being played."""

    desk: Mapping[str, str]
    tablet: Mapping[str, str]
    server: Mapping[str, str]
    trials: Sequence[str]
    free: Sequence[Place]


def at_work(database: Database, dealer: str, bodies: Sequence[Mapping[str, Any]]) -> Shop:
    """Compose a trial of what is advised for each body, open it and rate half of it; let a desk, a tablet and a server in."""
    with database.writing() as session:
        owner = users.add(session, "owner@bows.example", "owner").account.id
        secret = staff_sessions.begin(session, owner)
        staff_sessions.act_for(session, tokens.digest(secret), dealer)
        _tablet, key = tablets.enrol(session, tablets.make_code(session, owner, dealer, "Tablet one"))
        server = api_keys.make(session, owner, dealer, api_keys.SERVER)
    trials = [_trial(database, dealer, body, number) for number, body in enumerate(bodies)]
    with database.writing() as session:
        # As `serve` does within its first minute. Until then the desk looks for a sign of work among all rows, as no shop's does.
        clock.keep(session, dt.datetime.now(dt.UTC))
        free = [place for trial in trials for place in _half_rated(session, dealer, trial)]
    return Shop(
        {"Cookie": f"desk={secret}", "Accept": "text/html"},
        {"Authorization": f"Bearer {key}"},
        {"Authorization": f"Bearer {server}"},
        trials,
        free,
    )


def sheet(revision: int, position: int, letter: str) -> dict[str, Any]:
    """Return a rating as a tablet sends it."""
    now = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
    ratings = {"overall": 5, "response": 5, "clarity": 4, "dynamic_range": 6, "steadiness": "cannot_tell"}
    place = {"revision": revision, "position": position, "letter": letter, "rater": "player", "note": None}
    return place | {"ratings": ratings, "rated_at": now, "sent_at": now}


def _trial(database: Database, dealer: str, body: Mapping[str, Any], number: int) -> str:
    answers, day = check(dict(body)), dt.datetime.now(dt.UTC).date() + number * SPAN
    with database.writing() as session:
        bows = composing.propose(session, dealer, answers, on=day).recommended
        asked = {"id": str(uuid.uuid4()), "answers": answers.body(), "copies": bows, "on": day.isoformat()}
        key = composing.compose(session, None, dealer, check_as(Composing, asked))
        lifecycle.open_(session, None, dealer, key)
        return key


def _half_rated(session: Session, dealer: str, trial: str) -> list[Place]:
    """Rate the first half of the places; return the others."""
    slot = tables.Slot
    found = session.execute(
        select(slot.position, slot.letter)
        .join(tables.Trial, tables.Trial.id == slot.trial)
        .where(tables.Trial.key == trial)
        .order_by(slot.position)
    ).all()
    half = len(found) // 2
    for position, letter in found[:half]:
        run, told = str(uuid.uuid4()), check_as(SheetIn, sheet(1, position, letter))
        sheets.record(session, dealer, trial, run, told, "tablet")
    return [Place(trial, position, letter) for position, letter in found[half:]]

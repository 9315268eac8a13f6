"""A shop of years, put into a database in bulk: bows, players, enquiries, trials of many days, mail and a record."""

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from sqlalchemy import insert
from sqlalchemy.orm import Session

from service import tables
from service.core import clock_watch
from service.core.database import Database
from service.tables.found import of_contact, of_enquiry
from service.trials import bow_marks

DEALER = "harbour"
FAMILIES, GIVEN = 700, 90
A_DAY = 50
"""Trials a day."""
_FIRST = 1
_ANSWERS: Mapping[str, Any] = {
    "instrument": "cello",
    "budget": {"amount": 2600, "currency": "EUR"},
    "trial": {"place": "shop"},
}
_INSTRUMENTS = ("violin", "viola", "cello")


def fill(
    database: Database, *, bows: int, players: int, enquiries: int, trials: int, today: dt.date, case: int = 3
) -> None:
    """Put a dealer's years into an empty database: so many trials up to ``today`` and a day's beyond,
    `A_DAY` a day, of ``case`` bows each.
    """
    parts = (
        (tables.Dealer, _dealers()),
        (tables.Tier, _tiers()),
        (tables.Copy, _copies(bows)),
        (tables.Player, ({"key": f"P-{i}", "in_model": True} for i in range(players))),
        (tables.Contact, _contacts(players, today)),
        (tables.Enquiry, _enquiries(enquiries, today)),
        (tables.Trial, _trials(trials, players, today)),
        (tables.Composition, _compositions(trials, enquiries, today)),
        (tables.TrialCopy, _trial_copies(trials, bows, case, today)),
        (tables.Slot, _slots(trials, bows, case)),
        (tables.Run, _runs(trials, bows, case)),
        (tables.Outcome, _outcomes(trials, bows, today)),
        (tables.OutboxItem, _mails(enquiries, today)),
        (tables.AuditEntry, _record(trials, today)),
        (tables.Duty, ({"name": clock_watch.WATCH, "begun_at": dt.datetime.now(dt.UTC)} for _once in (1,))),
        (tables.SearchWord, _words(players, enquiries, today)),
    )
    with database.writing() as session:
        for table, rows in parts:
            _put(session, table, rows)
    bow_marks.of_all(database)


def _put(session: Session, table: Any, rows: Iterable[dict[str, Any]]) -> None:
    rows = list(rows)
    if rows:
        session.execute(insert(table), rows)


def _at(day: dt.date, minute: int = 0) -> dt.datetime:
    return dt.datetime.combine(day, dt.time(9), dt.UTC) + dt.timedelta(minutes=minute)


def _day(place: int, of: int, today: dt.date) -> dt.date:
    """Return the day of a trial: the last `A_DAY` are tomorrow's, those before them today's."""
    return today + dt.timedelta(days=1 - (of - 1 - place) // A_DAY)


def _state(place: int, of: int) -> str:
    back = of - 1 - place
    return "planned" if back < A_DAY + 20 else "open" if back < A_DAY + 30 else "closed"


def name(place: int) -> str:
    """Return somebody's name."""
    return f"Given{place % GIVEN} Family{place % FAMILIES} Last{place}"


def _dealers() -> Iterator[dict[str, Any]]:
    yield {"slug": DEALER, "name": "Harbour Strings (invented)", "currency": "EUR", "country": "AT"}


def _tiers() -> Iterator[dict[str, Any]]:
    for place, instrument in enumerate(_INSTRUMENTS * 3):
        yield {
            "slug": f"t{place}",
            "name": f"Tier {place}",
            "instrument": instrument,
            "holds": "",
            "grade": 1 + place // 3,
        } | {
            "price": 1000 + 100 * place,
            "currency": "EUR",
        }


def _copies(bows: int) -> Iterator[dict[str, Any]]:
    for place in range(bows):
        yield {
            "serial": _serial(place),
            "tier": f"t{place % 9}",
            "dealer": DEALER,
            "status": "sold" if place % 10 == 9 else "in_stock",
        }


def _serial(place: int) -> str:
    return f"SN-{place:05d}"


def _contacts(players: int, today: dt.date) -> Iterator[dict[str, Any]]:
    for place in range(players):
        mail = {"email": f"player{place}@bows.example", "phone": f"+43 664 {1_000_000 + place}"}
        yield {
            "player": place + _FIRST,
            "dealer": DEALER,
            "name": name(place),
            "mail_consent": True,
            "created_at": _at(today),
        } | mail


def _enquiries(enquiries: int, today: dt.date) -> Iterator[dict[str, Any]]:
    for place in range(enquiries):
        at = _at(today - dt.timedelta(days=(enquiries - place) // 20), place % 400)
        settled = at if place < enquiries - 40 and place % 2 else None
        yield {
            "id": _enquiry_id(place),
            "address": f"a{place}",
            "created_at": at,
            "dealer": DEALER,
        } | {
            "language": "en",
            "answers": {**_ANSWERS, "instrument": _INSTRUMENTS[place % 3]},
            "contact": {"name": f"Asker{place % 300} Enquirer{place}", "email": f"asker{place}@bows.example"},
            "told": {"trial": {"copies": 3}},
            "settled_at": settled,
        }


def _enquiry_id(place: int) -> str:
    return f"{place:08x}-0000-4000-8000-000000000000"


def _trials(trials: int, players: int, today: dt.date) -> Iterator[dict[str, Any]]:
    for place in range(trials):
        yield {
            "key": f"T-{place}",
            "player": place % players + _FIRST,
            "dealer": DEALER,
            "on": _day(place, trials, today),
        } | {
            "instrument": _INSTRUMENTS[place % 3],
            "place": "shop",
            "blinding": "blind",
            "came": _came(place, trials),
        }


def _came(place: int, of: int) -> str | None:
    """Return what came of a trial."""
    told = _state(place, of) == "closed" and place < of - 100
    return ("none" if place % 3 else "kept") if told else None


def _compositions(trials: int, enquiries: int, today: dt.date) -> Iterator[dict[str, Any]]:
    for place in range(trials):
        at, state = _at(_day(place, trials, today)), _state(place, trials)
        yield {
            "trial": place + _FIRST,
            "dealer": DEALER,
            "number": place + 1,
            "answers": _ANSWERS,
            "plan": {},
            "minutes": 60,
        } | {
            "seed": place,
            "own_plays": 2,
            "repeat": False,
            "state": state,
            "created_at": at,
            "closed_at": at if state == "closed" else None,
            "enquiry": _enquiry_id(place) if place < enquiries - 40 and place % 2 == 0 else None,
        }


def _trial_copies(trials: int, bows: int, case: int, today: dt.date) -> Iterator[dict[str, Any]]:
    for place in range(trials):
        day, state = _day(place, trials, today), _state(place, trials)
        out = _at(day) if state != "planned" else None
        for each in range(case):
            copy = _serial((case * place + each) % bows)
            yield {"trial": place + _FIRST, "copy": copy, "out_from": day, "due_back": day, "out_at": out} | {
                "back_at": out if state == "closed" else None
            }


def _slots(trials: int, bows: int, case: int) -> Iterator[dict[str, Any]]:
    for place in range(trials):
        for each in range(case):
            copy = _serial((case * place + each) % bows)
            yield {"trial": place + _FIRST, "position": each + 1, "letter": "ABC"[each], "copy": copy}


def _runs(trials: int, bows: int, case: int) -> Iterator[dict[str, Any]]:
    for place in range(trials):
        if _state(place, trials) == "closed":
            for each in range(case):
                copy = _serial((case * place + each) % bows)
                yield {"trial": place + _FIRST, "position": each + 1, "copy": copy, "overall": 1 + (place + each) % 7}


def _outcomes(trials: int, bows: int, today: dt.date) -> Iterator[dict[str, Any]]:
    for place in range(trials):
        if came := _came(place, trials):
            yield {"trial": place + _FIRST, "on": _day(place, trials, today), "outcome": came} | {
                "copy": _serial(3 * place % bows) if came == "kept" else None
            }


def _mails(mails: int, today: dt.date) -> Iterator[dict[str, Any]]:
    for place in range(mails):
        at = _at(today - dt.timedelta(days=1), place % 600)
        moments = dict.fromkeys(("queued_at", "due_at", "sent_at"), at)
        yield {
            "channel": "mail",
            "kind": "advice",
            "about": f"a{place}",
            "dealer": DEALER,
            "language": "en",
            "values": {},
            **moments,
        } | {
            "address": f"player{place}@bows.example",
            "message_id": f"m{place}",
            "attempts": 1,
        }


def _record(trials: int, today: dt.date) -> Iterator[dict[str, Any]]:
    for place in range(trials):
        yield {
            "at": _at(today, place - trials),
            "dealer": DEALER,
            "did": "opened a trial",
            "about": f"trial T-{place}",
            "detail": {},
        }


def _words(players: int, enquiries: int, today: dt.date) -> Iterator[dict[str, Any]]:
    for row in _contacts(players, today):
        yield from of_contact(tables.Contact(**row))
    for row in _enquiries(enquiries, today):
        yield from of_enquiry(tables.Enquiry(**row))

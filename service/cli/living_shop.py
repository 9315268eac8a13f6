"""The living shop of `demo`: enquiries of today and trials in every state, made as staff and players make them.

What there is to tell stands in a file beside the invented data, its days counted from today. The files that `load` takes know
nothing of it.
"""

import datetime as dt
import json
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy.orm import Session

from model.bench import playable_range
from model.domain.vocabulary import Place
from service.accounts import dealer_list
from service.accounts.dealer_list import DealerInfo
from service.advice import advise
from service.core.database import Database
from service.core.moments import set_back
from service.core.scopes import AllDealers
from service.dealers import shop_card, site
from service.questionnaire import forms
from service.questionnaire.forms import Composing, check_as
from service.questionnaire.sheet_fields import check_sheet
from service.trials import composing, desk_reads, lifecycle, outcomes, proposing, sheets
from service.trials.desk_records import SlotRow

FILE = "shop.json"
IN_SHOP, BY_POST = dt.timedelta(minutes=6), dt.timedelta(hours=24)
"""From one sheet to the next."""
LASTS = dt.timedelta(minutes=50)
"""A trial in the shop; one that is being played began half of it ago."""
BEGINS = dt.time(13, 30, tzinfo=dt.UTC)
"""Trials of earlier days."""
LEAST_BOWS = 3
"""So many a trial has, where the advice names fewer."""

Told = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class DemoDesk:
    """Where trials are made: the dealer, who of the staff makes them, and this moment."""

    dealer: str
    user: int
    at: dt.datetime

    @property
    def today(self) -> dt.date:
        """The day of the demonstration."""
        return self.at.date()


def dealer_of(folder: Path) -> str | None:
    """Return the slug of the dealer whose day a folder tells, None where it tells none."""
    file = folder / FILE
    return str(_read(file)["dealer"]["slug"]) if file.exists() else None


def furnish(database: Database, folder: Path, user: int) -> str:
    """Let the day that a folder tells happen, composed by an account; return the address of one player's answer, as /advice/…."""
    told = _read(folder / FILE)
    desk = DemoDesk(told["dealer"]["slug"], user, dt.datetime.now(dt.UTC))
    with database.writing() as session:
        _open_shop(session, told["dealer"])
    for trial in told["trials"]:
        with database.writing() as session:
            _trial(session, desk, trial)
    with database.writing() as session:
        asked = [_enquire(session, desk, each) for each in told["enquiries"]]
        return f"/advice/{advise.address_of(session, asked[0])}"


def _read(file: Path) -> Any:
    return json.loads(file.read_text(encoding="utf-8"))


def _open_shop(session: Session, told: Told) -> None:
    known = next(info for info in dealer_list.listed(session, AllDealers()) if info.slug == told["slug"])
    given = DealerInfo(known.slug, told["name"], known.currency, told["language"], told["country"], known.carry_cost)
    dealer_list.add(session, given)
    usual = site.read(session, known.slug).keep_months
    shop_card.keep(session, None, known.slug, **told["card"])
    site.set_messages(session, None, known.slug, notify="", booking=told["booking"], webhook="", keep_months=str(usual))


def _enquire(session: Session, desk: DemoDesk, told: Told) -> str:
    body = {
        **told["answers"],
        "dealer": desk.dealer,
        "language": told.get("language", "en"),
        "id": _id("enquiry", told),
    }
    asked = forms.check(body | _contact(told))
    found: str = advise.advise(session, asked)["id"]
    return found


def _contact(told: Told) -> dict[str, Any]:
    """Return the contact of who gave one."""
    if "name" not in told:
        return {}
    consent = {"advice": True, "mail": told.get("mail", False), "model": True}
    reached = {way: told[way] for way in ("email", "phone") if way in told}
    return {"contact": {"name": told["name"], "consent": consent} | reached}


def _id(of: str, told: Told) -> str:
    """Return the same id on every day: apart from the date a demonstration is always the same."""
    return str(uuid.uuid5(uuid.NAMESPACE_OID, f"demo {of} {json.dumps(told, sort_keys=True)}"))


def _trial(session: Session, desk: DemoDesk, told: Told) -> None:
    """Let one trial come as far as it is told."""
    begins = _begins(desk, told["day"]) if "marks" in told else desk.at
    with set_back(desk.at - begins):
        key, bows = _compose(session, desk, told)
        if "marks" in told:
            if told.get("place") == Place.POST:
                lifecycle.send(session, desk.user, desk.dealer, key, dict.fromkeys(bows, "as new, fresh hair"))
            else:
                lifecycle.open_(session, desk.user, desk.dealer, key)
            _rate(session, desk, key, told, bows, begins)
    if "end" in told:
        with set_back(desk.at - begins - LASTS):
            _end(session, desk, key, told, bows)


def _begins(desk: DemoDesk, day: int) -> dt.datetime:
    """Return when a trial begins: in the afternoon of an earlier day, and today half of its length ago."""
    if day < 0:
        return dt.datetime.combine(desk.today + dt.timedelta(days=day), BEGINS)
    return desk.at - LASTS / 2


def _compose(session: Session, desk: DemoDesk, told: Told) -> tuple[str, tuple[str, ...]]:
    """Compose a trial of the bows that are advised; return its key and the bows, best first."""
    day, place = desk.today + dt.timedelta(days=told["day"]), told.get("place", "shop")
    due = day if place == "shop" else desk.today + dt.timedelta(days=told["due"])
    answers = {"trial": {"minutes": 60, "place": place}, **told["answers"], "language": told.get("language", "en")}
    found = proposing.propose(session, desk.dealer, forms.check(answers), on=day, due_back=due)
    free = [bow.copy for bow in found.bows if bow.blocked is None]
    bows = tuple(free[: max(len(found.recommended), LEAST_BOWS)])
    asked = {"enquiry": _enquire(session, desk, told)} if told.get("enquired") else _contact(told)
    request = {
        "id": _id("trial", told),
        "answers": answers,
        "copies": bows,
        "on": day.isoformat(),
        "due_back": due.isoformat(),
        "place": place,
        "blinding": "masked" if place == "post" else "blind",
        "minutes": 60,
        "country": told.get("country"),
    }
    return composing.compose(session, desk.user, desk.dealer, check_as(Composing, request | asked)), bows


def _rate(session: Session, desk: DemoDesk, key: str, told: Told, bows: tuple[str, ...], begun: dt.datetime) -> None:
    """Hand in the sheets that are told, in the order of play."""
    post = told.get("place") == Place.POST
    letters = {slot.position: slot.copy for slot in desk_reads.key_sheet(session, desk.dealer, key)}
    slots = desk_reads.trial(session, desk.dealer, key).slots[: told.get("in")]
    for number, slot in enumerate(slots, start=1):
        moment = begun + number * (BY_POST if post else IN_SHOP)
        sheet = _sheet(told, slot, letters[slot.position], bows) | {"rated_at": moment}
        sender = "the player's link" if post else "the tablet in the shop"
        run = f"{_id('sheet', told)}-{number}"
        sheets.record(session, desk.dealer, key, run, check_sheet(sheet), sender, at=moment)


def _sheet(told: Told, slot: SlotRow, copy: str | None, bows: tuple[str, ...]) -> dict[str, Any]:
    """Return the sheet of one place in the order; of bows beyond those told the last marks stand."""
    marks = told["own"] if copy is None else told["marks"][min(bows.index(copy), len(told["marks"]) - 1)]
    place = {"position": slot.position, "letter": slot.letter or "", "rater": "player", "revision": 1}
    return place | {"ratings": dict(zip(told["rated"], marks, strict=True)), "strokes": _strokes(told, copy, bows)}


def _strokes(told: Told, copy: str | None, bows: tuple[str, ...]) -> list[str | None] | None:
    """Return how the strokes of a bow were marked, None where the trial had none."""
    if "strokes" not in told:
        return None
    of_bows = told["strokes"]["bows"]
    text = told["strokes"]["own"] if copy is None else of_bows[min(bows.index(copy), len(of_bows) - 1)]
    return [None if mark is None else playable_range.MARKS[mark] for mark in playable_range.from_text(text)]


def _end(session: Session, desk: DemoDesk, key: str, told: Told, bows: tuple[str, ...]) -> None:
    if told["end"] == "closed":
        lifecycle.close(session, desk.user, desk.dealer, key)
        return
    day = desk.today + dt.timedelta(days=told["day"])
    outcomes.record(session, desk.user, desk.dealer, key, told["end"], bows[0], told["reason"], day)
    lifecycle.reveal(session, desk.user, desk.dealer, key)

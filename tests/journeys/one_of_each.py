"""A served copy of the demo's database with one of everything that a page can be about."""

import datetime as dt
import sqlite3
import threading
import time
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import uvicorn
from fastapi import FastAPI
from sqlalchemy import make_url, select
from sqlalchemy.orm import Session

from service import privacy, tables
from service.accounts import passwords, second_factor, users
from service.advice import advise
from service.app import create_app
from service.core import tokens
from service.core.database import Database
from service.dealers import api_keys, site
from service.devices import tablets
from service.mail import mailboxes, suppression
from service.players import data_links, joining
from service.privacy import mass_erasure
from service.questionnaire import forms
from service.questionnaire.forms import Composing, check_as
from service.questionnaire.sheet_fields import check_sheet
from service.trials import (
    composing,
    desk_reads,
    lifecycle,
    outcomes,
    paired_comparison,
    player_result,
    rater_links,
    sheets,
    trial_mails,
)
from service.web import staff_sessions
from tests.service.client import settings_in

SECONDS = 30
DEALER = "quince-court"
PLAYER = "clara@player.example"
RATER = "rosa@player.example"
PASSWORD = "rosin kettle amber loom"
"""Of the adviser who has a second factor."""
CONTACT = {
    "name": "Clara Ahrens (invented)",
    "email": PLAYER,
    "consent": {"advice": True, "mail": True, "model": True},
}
BASS = {
    "instrument": "double_bass",
    "hold": "french",
    "settings": ["orchestra", "solo"],
    "budget": {"amount": 3800, "currency": "EUR", "stretch_percent": 10},
    "priorities": ["response", "off_string"],
    "own_bow": {"kind": "wood", "ratings": {"overall": 4, "response": 3}},
    "trial": {"minutes": 60, "place": "shop"},
}
LEAVING = {"email": "ben@player.example", "consent": {"advice": True, "mail": False, "model": False}}
"""A player whose trials are over: there are none."""
VIOLIN = {"instrument": "violin", "budget": {"amount": 2600, "currency": "EUR"}, "own_bow": None}
TODAY = dt.datetime.now(dt.UTC).date()


@dataclass
class World:
    """The served application and, by name, what stands in the places of its addresses."""

    address: str
    app: FastAPI
    places: dict[str, str]
    secrets: dict[str, str]
    """The sessions of an owner and of somebody of the workshop."""

    @property
    def database(self) -> Database:
        database = self.app.state.database
        assert isinstance(database, Database)
        return database

    def code(self) -> str:
        """Return a code that enrols one tablet."""
        with self.database.writing() as session:
            return tablets.make_code(session, int(self.places["owner"]), DEALER, "The tablet by the window")

    def trial(self, rater: str = "player") -> tuple[str, str]:
        """Return the key of a new open trial of two bows, and the link for a rater."""
        with self.database.writing() as session:
            key = _compose(session, BASS, 2, minutes=40)
            lifecycle.open_(session, None, DEALER, key)
            return key, rater_links.open_seat(session, None, DEALER, key, rater, signer=self.app.state.signer)

    def end(self, key: str) -> None:
        """Close a trial, so that its bows are there for the next."""
        with self.database.writing() as session:
            lifecycle.close(session, None, DEALER, key)

    def pairs(self, key: str) -> None:
        """Begin to compare the two bows of a trial pair by pair."""
        with self.database.writing() as session:
            # A hidden repeat is one bow under two letters.
            bows = select(tables.Slot.copy, tables.Slot.letter).join(tables.Trial, tables.Trial.id == tables.Slot.trial)
            found = session.execute(bows.where(tables.Trial.key == key, tables.Slot.copy.is_not(None))).all()
            letters = sorted({each.copy: each.letter for each in found}.values())
            paired_comparison.start(session, None, DEALER, key, (letters[0], letters[1]))


@contextmanager
def opened(folder: Path, filled: Database) -> Iterator[World]:
    """Serve a copy of a fitted database, the contents of the one given, on a free port of this machine."""
    with sqlite3.connect(make_url(filled.url).database or "") as kept:
        kept.execute("VACUUM INTO ?", [str(folder / "bows.db")])
    app = create_app(settings_in(folder, demo=True, advice_per_minute=0))
    with served(app) as address:
        world = World(address, app, {}, {})
        furnish(world)
        yield world


@contextmanager
def served(app: FastAPI) -> Iterator[str]:
    """Serve an application on a free port of this machine, and give its address."""
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=0, log_level="warning"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    until = time.monotonic() + SECONDS
    while not server.started and time.monotonic() < until:
        time.sleep(0.02)
    assert server.started, f"the application did not start within {SECONDS} seconds"
    yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    server.should_exit = True
    thread.join(SECONDS)


def furnish(world: World) -> None:
    """Put one of everything there."""
    with world.database.writing() as session:
        session.get_one(tables.Dealer, DEALER).country = "DE"
        site.set_pages(session, None, DEALER, "https://strings.example", "#c8102e", "#e8a33d")
        api_keys.make(session, None, DEALER, "website")
        _people(session, world)
        # Somebody's time is over, of more persons than usual: an owner is asked.
        mass_erasure.may_erase(session, DEALER, 31, dt.datetime.now(dt.UTC))
        plain = _enquire(session, VIOLIN, contact=None)
        world.places |= {"answer": _enquire(session, BASS), "leaving": _enquire(session, VIOLIN, contact=LEAVING)}
        world.places |= {
            "answer_page": str(advise.address_of(session, world.places["answer"])),
            "plain_page": str(advise.address_of(session, plain)),
        }
    _trials(world)
    with world.database.writing() as session:
        _links(session, world)
        _mails(session, world)
    _wait_for_mail(world)


def _people(session: Session, world: World) -> None:
    owner = users.add(session, "owner@bows.example", "owner").account.id
    workshop = users.add(session, "workshop@bows.example", "workshop").account.id
    careful = users.add(session, "careful@bows.example", "adviser", DEALER).account.id
    users.change_password(session, careful, passwords.hash_password(PASSWORD), keep="")
    codes = second_factor.set_up(session, careful, second_factor.draw_secret(), 0)
    new = users.add(session, "adviser@bows.example", "adviser", DEALER)
    world.secrets |= {
        "owner": staff_sessions.begin(session, owner),
        "workshop": staff_sessions.begin(session, workshop),
    }
    staff_sessions.act_for(session, tokens.digest(world.secrets["owner"]), DEALER)
    tablets.enrol(session, tablets.make_code(session, owner, DEALER, "Trial room"))
    world.places |= {"owner": str(owner), "secret": new.secret, "dealer": DEALER, "codes": " ".join(codes)}


def _enquire(session: Session, answers: Mapping[str, Any], contact: Mapping[str, Any] | None = CONTACT) -> str:
    body = {**answers, "dealer": DEALER, "id": str(uuid.uuid4())} | ({"contact": dict(contact)} if contact else {})
    found: str = advise.advise(session, forms.check(body))["id"]
    return found


def _compose(session: Session, answers: Mapping[str, Any], count: int, **changes: Any) -> str:
    """Compose a trial of bows that are in stock, and return its key."""
    copy = tables.Copy
    suiting = select(copy.serial).join(tables.Tier, tables.Tier.slug == copy.tier)
    suiting = suiting.where(copy.dealer == DEALER, copy.status == "in_stock")
    suiting = suiting.where(tables.Tier.instrument == answers["instrument"])
    if "hold" in answers:
        suiting = suiting.where(copy.hold == answers["hold"])
    bows = list(session.scalars(suiting.order_by(copy.serial).limit(count)))
    body = {"id": str(uuid.uuid4()), "answers": dict(answers), "copies": bows, "on": TODAY.isoformat(), "minutes": 60}
    consent = {} if "contact" in changes or "enquiry" in changes else {"model_consent": True}
    return composing.compose(session, None, DEALER, check_as(Composing, body | consent | changes))


def _slots(session: Session, key: str) -> tuple[Any, ...]:
    return tuple(desk_reads.trial(session, DEALER, key).slots)


def rate(session: Session, key: str, marks: tuple[int, ...], rater: str = "player", *, dealer: str = DEALER) -> None:
    """Let sheets come in for the first places of a trial."""
    now = dt.datetime.now(dt.UTC)
    for slot, mark in zip(desk_reads.trial(session, dealer, key).slots, marks, strict=False):
        place = {"position": slot.position, "letter": slot.letter or "", "rater": rater, "revision": 1}
        told = {"ratings": {"overall": mark, "response": mark}, "note": "speaks at once", "rated_at": now}
        if rater == "player":
            told["strokes"] = [
                "broken" if mark < 5 else "clean",
                "noisy",
                None if mark == 6 else "clean",
                *["clean"] * 5,
            ]
        sheets.record(session, dealer, key, str(uuid.uuid4()), check_sheet(place | told), "a test")


def _trials(world: World) -> None:
    """Put a trial in every state there."""
    places = world.places
    with world.database.writing() as session:
        post = {"place": "post", "blinding": "masked", "country": "AT", "contact": CONTACT}
        places |= {
            "kept": _compose(session, VIOLIN, 2, contact=CONTACT),
            "cancelled": _compose(session, VIOLIN, 2),
            "post": _compose(session, BASS, 2, **post),
        }
        lifecycle.cancel(session, None, DEALER, places["cancelled"])
        for name in ("open", "part", "played", "revealed"):
            given: dict[str, Any] = {"enquiry": places["answer"]} if name == "played" else {}
            given |= {"contact": CONTACT | {"email": RATER}} if name == "revealed" else {}
            places[name] = _compose(session, BASS, 2, **given)
        for name in ("open", "part", "played", "revealed", "kept"):
            lifecycle.open_(session, None, DEALER, places[name])
        places["planned"] = _compose(session, BASS, 2)
        for name, marks in {
            "part": (6, 4),
            "played": (6, 4, 5, 3, 4),
            "revealed": (6, 5, 4, 6),
            "kept": (5, 6),
        }.items():
            rate(session, places[name], marks)
        rate(session, places["played"], (5, 4), "listener")
    world.pairs(places["played"])
    with world.database.writing() as session:
        lifecycle.reveal(session, int(places["owner"]), DEALER, places["revealed"])
        kept = next(slot for slot in desk_reads.key_sheet(session, DEALER, places["kept"]) if slot.copy)
        outcomes.record(session, None, DEALER, places["kept"], "kept", kept.copy, "sound", TODAY)
        places["serial"] = str(kept.copy)
        places["out"] = next(str(s.copy) for s in desk_reads.key_sheet(session, DEALER, places["part"]) if s.copy)
        places |= {"other": _player(session, places["revealed"]), "joined": _player(session, places["post"])}
        places["player"] = joining.join(session, None, DEALER, _player(session, places["kept"]), places["joined"])


def _player(session: Session, trial: str) -> str:
    """Return the key of a trial's player."""
    of_trial = select(tables.Player.key).join(tables.Trial, tables.Trial.player == tables.Player.id)
    return session.scalars(of_trial.where(tables.Trial.key == trial)).one()


def _links(session: Session, world: World) -> None:
    """Sign every link that a mail or a page can hold."""
    signer, mail_service, now = world.app.state.signer, world.app.state.mail_service, dt.datetime.now(dt.UTC)
    person = privacy.of_player(session, DEALER, world.places["player"])
    whole = data_links.of_person(session, signer, person, now) or ""
    busy = data_links.read(session, signer, data_links.DATA, whole.removeprefix("/data/"))
    of_leaving = data_links.of_answer(signer, world.places["leaving"], now)
    leaving = data_links.read(session, signer, data_links.DATA, of_leaving.removeprefix("/data/"))
    over = data_links.of_person(session, signer, person, now - 2 * data_links.DATA_LIFE) or ""
    row = tables.OutboxItem(kind="advice", address="gone@player.example", dealer=DEALER)
    world.places |= {
        "data": whole.removeprefix("/data/"),
        "over_data": over.removeprefix("/data/"),
        "confirm": (mailboxes.path(session, mail_service, row) or "").removeprefix("/mail/confirm/"),
        "answer_data": data_links.of_answer(signer, world.places["answer"], now).removeprefix("/data/"),
        "erase": data_links.to_erase(session, signer, leaving, now).removeprefix("/erase/"),
        "early_erase": data_links.to_erase(session, signer, busy, now).removeprefix("/erase/"),
        "late_erase": data_links.to_erase(session, signer, leaving, now - 2 * data_links.LIFE).removeprefix("/erase/"),
        "unsubscribe": suppression.path(session, mail_service, row).removeprefix("/mail/unsubscribe/"),
        "result": (player_result.link(session, mail_service.signer, world.places["revealed"], RATER, now) or "")[8:],
        "over_result": (
            player_result.link(
                session, mail_service.signer, world.places["revealed"], RATER, now - 2 * player_result.LIFE
            )
            or ""
        )[8:],
        "still_right": mail_service.signer.make(trial_mails.STILL_RIGHT, world.places["kept"]),
    }


def _mails(session: Session, world: World) -> None:
    """Add a mail that failed and one whose hour is still to come; one that was sent is there by the enquiry."""
    now = dt.datetime.now(dt.UTC)
    usual = {"channel": "mail", "dealer": DEALER, "values": {}, "language": "en", "queued_at": now}
    words = "550 5.1.1 The mailbox is unknown (invented)"
    failed = {"kind": "before_trial", "about": "a test", "message_id": "<1@bows.example>", "due_at": now}
    later = {"kind": "follow_up", "about": "a test", "message_id": "<2@bows.example>"}
    session.add(tables.OutboxItem(address="lost@player.example", **usual, **failed, failed_at=now, last_error=words))
    held = {"kind": "advice", "about": "a test", "message_id": "<3@bows.example>", "last_error": mailboxes.UNCONFIRMED}
    session.add(tables.OutboxItem(address=PLAYER, **usual, **held, due_at=now + mailboxes.WAITS))
    session.add(tables.OutboxItem(address=PLAYER, **usual, **later, due_at=now + dt.timedelta(days=30)))


def _wait_for_mail(world: World) -> None:
    until = time.monotonic() + SECONDS
    sent = select(tables.OutboxItem.id).where(
        tables.OutboxItem.sent_at.is_not(None), tables.OutboxItem.kind == "advice"
    )
    while time.monotonic() < until:
        with world.database.reading() as session:
            ident = session.scalar(sent.limit(1))
        if ident is not None:
            world.places["mail"] = str(ident)
            return
        time.sleep(0.05)
    msg = f"got no mail sent within {SECONDS} seconds, expected the shortlist to be written to its folder"
    raise AssertionError(msg)

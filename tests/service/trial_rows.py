"""An invented trial, put into the tables row by row: a dealer, a tablet, three copies under letters, the own bow twice."""

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from model.domain.vocabulary import Blinding, Hold, Instrument, Place
from service import tables
from service.core import tokens
from service.devices import tablets

LETTERS = ("F", "C", "R", "K")
"""In the order of playing; K is F again, the hidden repeat."""
COPIES = ("DB-9101", "DB-9102", "DB-9103")
TIERS = ("thistle", "rowan")
PRICES = (1234, 5678)
OPENED = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)


@dataclass(frozen=True, slots=True)
class TrialRows:
    """What was put in: the trial's key, the tablet's id and key."""

    dealer: str
    key: str
    tablet: str
    tablet_key: str
    user: int


def add_dealer(session: Session, slug: str = "quayside") -> None:
    """Add a dealer, two tiers and three copies, unless they are there."""
    if session.get(tables.Dealer, slug) is None:
        session.add(tables.Dealer(slug=slug, name=f"{slug.capitalize()} Strings (invented)", currency="EUR"))
        session.flush()
    if session.get(tables.Tier, TIERS[0]) is None:
        for grade, (tier, price) in enumerate(zip(TIERS, PRICES, strict=True), start=1):
            session.add(
                tables.Tier(
                    slug=tier,
                    name=tier.capitalize(),
                    instrument=Instrument.DOUBLE_BASS,
                    holds="german french",
                    grade=grade,
                    price=Decimal(price),
                    currency="EUR",
                )
            )
        session.flush()
        for number, serial in enumerate(COPIES):
            session.add(
                tables.Copy(serial=serial, tier=TIERS[number % 2], hold=Hold.GERMAN, dealer=slug, status="on_trial")
            )
        session.flush()


def add_user(session: Session, dealer: str = "quayside", email: str | None = None) -> int:
    """Add an adviser of a dealer and return the id."""
    user = tables.User(
        email=email or f"adviser@{dealer}.example", name="Ada", role="adviser", dealer=dealer, created_at=OPENED
    )
    session.add(user)
    session.flush()
    return user.id


def add_tablet(session: Session, dealer: str = "quayside", name: str = "Tablet one") -> tuple[str, str]:
    """Add an enrolled tablet; return its id and key."""
    key = tokens.secret()
    tablet = tables.Tablet(
        id=tokens.digest(key)[:32],
        dealer=dealer,
        name=name,
        digest=tokens.digest(key),
        file_key=tablets.file_key(key),
        enrolled_at=OPENED,
    )
    session.add(tablet)
    session.flush()
    return tablet.id, key


def add_trial(
    session: Session,
    dealer: str = "quayside",
    key: str = "trial-one",
    *,
    name: str = "Anna Invented",
    state: str = "open",
    letters: tuple[str, ...] = LETTERS,
    priorities: str = "",
    place: Place = Place.SHOP,
) -> int:
    """Add a trial with its slots and return its row's id: the copies under letters, the own bow third and at the end."""
    number = len(list(session.scalars(select(tables.Composition.trial).where(tables.Composition.dealer == dealer)))) + 1
    player = tables.Player(key=f"player of {key}")
    session.add(player)
    session.flush()
    session.add(tables.Contact(player=player.id, dealer=dealer, name=name, created_at=OPENED))
    trial = tables.Trial(
        key=key,
        player=player.id,
        dealer=dealer,
        on=OPENED.date(),
        instrument=Instrument.DOUBLE_BASS,
        hold=Hold.GERMAN,
        settings="orchestra",
        priorities=priorities,
        place=place,
        blinding=Blinding.BLIND,
    )
    session.add(trial)
    session.flush()
    session.add(_composition(trial.id, dealer, number, state))
    session.flush()
    order = [*letters[:2], "", *letters[2:], ""]
    for position, letter in enumerate(order, start=1):
        copy = COPIES[letters.index(letter) % len(COPIES)] if letter else None
        session.add(tables.Slot(trial=trial.id, position=position, letter=letter, copy=copy))
    session.flush()
    return trial.id


def _composition(trial: int, dealer: str, number: int, state: str) -> tables.Composition:
    return tables.Composition(
        trial=trial,
        dealer=dealer,
        number=number,
        answers={"instrument": "double_bass", "hold": "german"},
        plan={},
        minutes=45,
        seed=number,
        own_plays=2,
        repeat=True,
        state=state,
        created_at=OPENED,
        opened_at=OPENED,
        closed_at=OPENED if state == "closed" else None,
    )


def add_all(session: Session, dealer: str = "quayside", key: str = "trial-one") -> TrialRows:
    """Add a dealer, an adviser, a tablet and an open trial."""
    add_dealer(session, dealer)
    user = add_user(session, dealer)
    tablet, tablet_key = add_tablet(session, dealer)
    add_trial(session, dealer, key)
    return TrialRows(dealer, key, tablet, tablet_key, user)

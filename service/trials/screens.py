"""What a tablet, a phone or a listener is shown of a trial: letters, questions and words; never a serial, a tier or a price."""

import datetime as dt
from collections.abc import Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from model.domain.vocabulary import CARRYING, LEADING, SCALES, Criterion, Place, Scale
from service.advice import playing
from service.core import phrases
from service.core.errors import existing
from service.core.language import _
from service.tables import Composition, Contact, HeadToHead, Player, Sheet, Slot, Trial
from service.trials import sittings, strokes
from service.trials.screen_words import LISTENED, LISTENER_NOTES, LISTENER_WORDS

MINUTES_A_BOW = 5
"""Common practice, no source."""


def open_trials(session: Session, dealer: str) -> list[dict[str, Any]]:
    """Return the lines of the tablet's list, 'Trial 14, Anna' and no more, the newest first; ``pairs``: a head-to-head goes on."""
    going_on = select(HeadToHead.id).where(HeadToHead.trial == Trial.id, HeadToHead.ended_at.is_(None)).exists()
    rows = session.execute(
        select(Trial.key, Composition.number, Contact.name, going_on)
        .join(Composition, Composition.trial == Trial.id)
        .outerjoin(Contact, Contact.player == Trial.player)
        .where(Composition.dealer == dealer, Composition.state == "open")
        .order_by(Composition.number.desc())
    )
    return [
        {"id": key, "number": number, "name": next(iter((name or "").split()), ""), "pairs": pairs}
        for key, number, name, pairs in rows
    ]


def for_screen(session: Session, trial_id: str, rater: str = "player", dealer: str | None = None) -> dict[str, Any]:
    """Return all that a screen needs to play a trial through without network.

    ``trial_id``: the trial's key. ``rater``: player or listener; decides which criteria are asked.
    ``dealer``: whose tablet asks; None where a signed link has said so already.

    ``rated``: positions that were rated already, so that another device goes on after them; strokes alone rate nothing.
    ``sitting``: the last one, whose places these are; ``again``: the player may begin another.
    ``probe``: the strokes of the playable range, where the player may play them (`strokes.for_screen`); null for a listener.
    ``ask_model``: the player was never asked whether the ratings may help others, and is to be, once.

    Raises `NotFoundError`: there is no such trial at this dealer.
    """
    trial, composition, asked_at = _found(session, trial_id, dealer)
    sitting, slots = _slots(session, trial.id)
    again = rater == "player" and trial.place is Place.POST and composition.state == "open"
    return {
        "trial": trial.key,
        "title": _("Trial {number}").format(number=composition.number),
        "state": composition.state,
        "rater": rater,
        "own_name": _("your own bow") if rater == "player" else _("the player’s own bow"),
        "slots": slots,
        "minutes_a_bow": MINUTES_A_BOW,
        "plays": _plays(trial, rater),
        "criteria": [_asked(name, scale) for name, scale in _criteria(trial, rater)],
        "cautions": _cautions(trial, rater),
        "rated": _rated(session, trial.id, rater, [slot["position"] for slot in slots]),
        "sitting": sitting,
        "again": again and sitting < sittings.MOST,
        "due_back": composition.due_back and composition.due_back.isoformat(),
        "started": composition.opened_at.isoformat() if composition.opened_at else None,
        "ask_model": rater == "player" and asked_at is None,
        "probe": _probe(trial, rater, slots),
    }


def _found(session: Session, key: str, dealer: str | None) -> tuple[Trial, Composition, dt.datetime | None]:
    asked = (
        select(Trial, Composition, Player.asked_at)
        .join(Composition, Composition.trial == Trial.id)
        .join(Player, Player.id == Trial.player)
        .where(Trial.key == key, Composition.state != "planned")
    )
    if dealer is not None:
        asked = asked.where(Composition.dealer == dealer)
    row = existing(session.execute(asked).one_or_none())
    return row[0], row[1], row[2]


def _slots(session: Session, trial: int) -> tuple[int, list[dict[str, Any]]]:
    """Return the last sitting and its places."""
    asked = select(Slot.sitting, Slot.position, Slot.letter).where(Slot.trial == trial).order_by(Slot.position)
    rows = session.execute(asked).all()
    last = max((row.sitting for row in rows), default=1)
    here = (row for row in rows if row.sitting == last)
    return last, [{"position": row.position, "letter": row.letter, "own": row.letter == ""} for row in here]


def _criteria(trial: Trial, rater: str) -> list[tuple[str, Scale]]:
    """Return what is asked: overall first, what leads for the instrument, then what the player said matters most."""
    if rater == "listener":
        return [(name, LISTENER_WORDS[name]) for name in (*map(str, LISTENED), CARRYING)]
    names = (Criterion.OVERALL, *LEADING[trial.instrument], *map(Criterion, trial.priorities.split()))
    return [(str(name), SCALES[name]) for name in dict.fromkeys(names)]


def _asked(name: str, scale: Scale) -> dict[str, str]:
    question = _(scale.question)
    if name != Criterion.OVERALL:
        # The name stands before the question, which then goes on in its sentence.
        question = _("{criterion}: {question}").format(
            criterion=_(scale.name), question=question[:1].lower() + question[1:]
        )
    return {"name": name, "question": question, "low": _(scale.low), "high": _(scale.high)}


def _plays(trial: Trial, rater: str) -> list[str]:
    if rater == "listener":
        return [_(sentence) for sentence in LISTENER_NOTES]
    return list(playing.what_to_play(trial.instrument, trial.settings.split()))


def _cautions(trial: Trial, rater: str) -> list[str]:
    if rater == "listener":
        return []
    shipping = ["shipping"] if trial.place is Place.POST else []
    return [_(phrases.CAUTIONS[code]) for code in ("pain", "bow_care", *shipping)]


def _probe(trial: Trial, rater: str, slots: list[dict[str, Any]]) -> dict[str, Any] | None:
    if rater == "listener":
        return None
    return strokes.for_screen(trial.key, trial.instrument, trial.string_length_mm, slots)


def _rated(session: Session, trial: int, rater: str, places: Sequence[int]) -> list[int]:
    kept = session.execute(
        select(Sheet.position, Sheet.ratings)
        .where(Sheet.trial == trial, Sheet.rater == rater, Sheet.counts, Sheet.position.in_(places))
        .order_by(Sheet.position)
    )
    return [position for position, ratings in kept if ratings]

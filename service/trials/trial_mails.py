"""Mails around a trial: each function queues or takes back what goes to its player and its dealer.

Nothing is queued for who has not agreed. What a mail tells is read when it goes out: so it says what is true then.
"""

import datetime as dt
from collections.abc import Mapping
from functools import partial

from sqlalchemy import exists, or_, select
from sqlalchemy.orm import Session

from model.domain.vocabulary import OutcomeKind, Place
from service.advice import words
from service.calendar.calendar_entries import Entry, calendar
from service.core import phrases
from service.core.language import N_, _
from service.core.moments import utc_now
from service.core.signed_links import Signer
from service.dealers import site
from service.mail import outbox, webhooks
from service.mail.addresses import greeting_name
from service.mail.mail_kinds import MailKind, ObsoleteError, Values
from service.mail.notices import notify
from service.mail.outbox import To
from service.players import data_links
from service.tables import Composition, Contact, Dealer, OutboxItem, Outcome, Trial, TrialCopy
from service.trials import trial_texts

STILL_RIGHT = "still-right"
"""What the links of `follow_up` are signed for."""
STILL_RIGHT_AFTER = dt.timedelta(days=42)
"""When, after a bow was kept, it is asked whether it is still the right one: once a player knows it (a judgement)."""
BEFORE = dt.timedelta(days=1)
BY_ITSELF = dt.timedelta(days=1)
"""So long after a trial its mail waits for what was kept to be recorded."""
MORNING = dt.time(8, tzinfo=dt.UTC)
BEFOREHAND = ("trial_set", "before_trial")
"""What tells the day of a trial."""


def trial_set(session: Session, key: str) -> None:
    """Queue the day of a trial for its player's calendar, at once, and what to bring the day before."""
    _tell_the_day(session, key, moved=False)


def moved(session: Session, key: str) -> None:
    """Queue another day of a trial; that it is another one is said to whom the one before was told."""
    for kind in BEFOREHAND:
        outbox.undo(session, kind, key)
    _tell_the_day(session, key, moved=_was_told(session, key))


def _was_told(session: Session, key: str) -> bool:
    """Say whether a day of a trial was told: of several one after the other the first may have been, and the next one not any more."""
    of = OutboxItem
    gone = or_(of.sent_at.is_not(None), of.leased_until > utc_now())
    told = select(exists().where(of.kind.in_(BEFOREHAND), of.about.startswith(key, autoescape=True), gone))
    return bool(session.scalar(told))


def _tell_the_day(session: Session, key: str, *, moved: bool) -> None:
    found = player_of(session, key)
    if not found:
        return
    trial, recipient = found
    due, values = dt.datetime.combine(trial.on, MORNING) - BEFORE, {"moved": moved}
    # From the day before on, what to bring is told at once and says the day.
    soon = due <= utc_now()
    if not soon:
        outbox.queue(session, "trial_set", key, recipient, values=values)
    outbox.queue(session, "before_trial", key, recipient, values=values if soon else None, due=due)


def begun(session: Session, key: str) -> None:
    """Take back what was to be said before a trial that has begun."""
    for kind in BEFOREHAND:
        outbox.withdraw(session, kind, key)


def after_trial(session: Session, key: str, *, at_once: bool = False) -> None:
    """Queue what the ratings said and what was kept: a day after a trial, or at once where it is known what was kept."""
    found = player_of(session, key)
    if found:
        due = utc_now() if at_once else utc_now() + BY_ITSELF
        outbox.queue(session, "after_trial", key, found[1], due=due)


def revealed(session: Session, key: str, *, corrected: bool = False) -> None:
    """Queue the result, or the ``corrected`` one, to whom the mail after the trial has gone; who still waits for that is told by it."""
    found, after = player_of(session, key), outbox.find(session, "after_trial", key)
    if found is None or after is None or (after.sent_at is None and (after.leased_until or utc_now()) <= utc_now()):
        return
    if corrected:
        outbox.undo(session, "result", key)
    outbox.queue(session, "result", key, found[1], values={"corrected": corrected})


def follow_up(session: Session, key: str) -> None:
    """Queue the question, weeks after a bow was kept and once, whether it is still the right one."""
    found = player_of(session, key)
    if found:
        outbox.queue(session, "follow_up", key, found[1], due=utc_now() + STILL_RIGHT_AFTER)


def cancelled(session: Session, key: str, *, expected: bool) -> None:
    """Take back what was to come before and after a trial that is given up; tell its player, where its day was told and is ``expected`` still."""
    found = player_of(session, key) if expected and _was_told(session, key) else None
    for kind in (*BEFOREHAND, "after_trial", "result", "follow_up"):
        outbox.withdraw(session, kind, key)
    if found:
        outbox.queue(session, "trial_cancelled", key, found[1])


def reopened(session: Session, key: str) -> None:
    """Take back what followed from the end of a trial that goes on; the next end is told anew.

    A dealer's own system that was told what came of it is told that this does not stand any more.
    """
    for kind in ("after_trial", "result", "follow_up"):
        outbox.withdraw(session, kind, key)
    dealer = session.scalar(select(Trial.dealer).where(Trial.key == key))
    for kind in ("outcome_notice", "outcome_event"):
        stood = outbox.undo(session, kind, f"{key}:")
        if stood and kind == "outcome_event":
            webhooks.queue(session, dealer, "reopened", f"{key}:{max(stood)}", {"trial": key})


def outcome(session: Session, key: str, told: Outcome) -> None:
    """Queue all that follows from what came of a trial: to the player, and to the dealer."""
    outcome_notice(session, key, told.outcome, told.copy, told.on)
    outcome_event(session, key, told)
    if told.outcome is OutcomeKind.RETURNED:
        outbox.withdraw(session, "follow_up", key)
    else:
        after_trial(session, key, at_once=True)
    if told.outcome is OutcomeKind.KEPT:
        follow_up(session, key)


def mistaken(session: Session, key: str, told: Outcome) -> None:
    """Let what was told of an outcome recorded by mistake stand no more, so that the same can be told again after all."""
    for kind in ("outcome_notice", "outcome_event"):
        outbox.undo(session, kind, _about(key, told.outcome, told.copy, told.on))


def outcome_notice(
    session: Session, key: str, outcome: str, copy: str | None, on: dt.date, *, by_player: bool = False
) -> None:
    """Tell the dealer by mail what came of a trial."""
    dealer = session.scalar(select(Trial.dealer).where(Trial.key == key))
    told: Values = {"trial": key, "outcome": outcome, "copy": copy, "by_player": by_player}
    notify(session, dealer, "outcome_notice", _about(key, outcome, copy, on), values=told)


def _about(key: str, outcome: str, copy: str | None, on: dt.date) -> str:
    """Return what a message on an outcome is about; those on a later revision go on from there."""
    return f"{key}:{outcome}:{copy or ''}:{on.isoformat()}"


def outcome_event(session: Session, key: str, told: Outcome) -> None:
    """Tell the dealer's own system what came of a trial; each revision once, without the note, which may name somebody."""
    dealer = session.scalar(select(Trial.dealer).where(Trial.key == key))
    later = f":{told.revision}" if told.revision > 1 else ""
    about = f"{_about(key, told.outcome, told.copy, told.on)}{later}"
    values = {"trial": key, "outcome": str(told.outcome), "copy": told.copy, "reason": told.reason}
    price = None if told.price is None else float(told.price)
    more = {"date": told.on.isoformat(), "price": price, "currency": told.currency}
    webhooks.queue(session, dealer, "outcome", about, values | more)


def player_of(session: Session, key: str) -> tuple[Trial, To] | None:
    """Return a trial and its player's address, None where the player has none or has not agreed to mail."""
    row = session.execute(
        select(Trial, Contact, Composition.enquiry, Dealer.language)
        .join(Contact, Contact.player == Trial.player)
        .join(Composition, Composition.trial == Trial.id)
        .join(Dealer, Dealer.slug == Composition.dealer)
        .where(Trial.key == key)
    ).one_or_none()
    if row is None:
        return None
    trial, contact, enquiry, language = row
    if not contact.mail_consent or not contact.email:
        return None
    recipient = To(contact.email, contact.language or language or "en", trial.dealer, trial.player, enquiry)
    return trial, recipient


def composed_of(
    session: Session, row: OutboxItem, *, is_cancelled: bool = False
) -> tuple[Trial, Composition, Contact | None]:
    """Return the trial that a mail is about; raises `ObsoleteError` where it is gone or was cancelled, or was not where it should be."""
    trial = session.scalar(select(Trial).where(Trial.key == row.about))
    composition = session.get(Composition, trial.id) if trial else None
    if trial is None or composition is None or (composition.state == "cancelled") != is_cancelled:
        raise ObsoleteError(N_("The trial was cancelled, or is no longer kept."))
    return trial, composition, session.get(Contact, trial.player)


def of_trial(trial: Trial, composition: Composition, contact: Contact | None) -> Values:
    """Return what every mail around a trial tells of it."""
    return {
        "name": greeting_name(contact.name if contact else None),
        "number": composition.number,
        "on": trial.on,
        "hour": composition.hour,
        "by_post": trial.place is Place.POST,
    }


def _check_is_ahead(trial: Trial, composition: Composition) -> None:
    """Raise `ObsoleteError` where the trial has begun, or its day is past."""
    # A parcel is sent, and by that its trial open, before the day from which the bows may be played.
    if composition.state == "closed" or (composition.state == "open" and trial.place is not Place.POST):
        raise ObsoleteError(N_("The trial has begun already."))
    if trial.on < utc_now().date():
        raise ObsoleteError(N_("The day of the trial is past."))


def _of_day(row: OutboxItem, composition: Composition) -> Values:
    return {
        "moved": bool((row.values or {}).get("moved")),
        "minutes": composition.minutes,
        "due_back": composition.due_back,
    }


def _trial_set(session: Session, row: OutboxItem) -> Values:
    trial, composition, contact = composed_of(session, row)
    _check_is_ahead(trial, composition)
    return of_trial(trial, composition, contact) | _of_day(row, composition)


def _trial_cancelled(session: Session, row: OutboxItem) -> Values:
    trial, composition, contact = composed_of(session, row, is_cancelled=True)
    lent = exists().where(TrialCopy.trial == trial.id, TrialCopy.out_at.is_not(None), TrialCopy.back_at.is_(None))
    return of_trial(trial, composition, contact) | {"lent": bool(session.scalar(select(lent)))}


def _for_the_calendar(session: Session, row: OutboxItem, organizer: str) -> bytes | None:
    """Return the trial's day as a file, or that it does not take place; nothing of the bows or of the player stands in it."""
    is_cancelled = row.kind == "trial_cancelled"
    trial, composition, _contact = composed_of(session, row, is_cancelled=is_cancelled)
    shop = session.get_one(Dealer, composition.dealer)
    words = _("Bow trial at {dealer}") if trial.place is not Place.POST else _("Bows to try from {dealer}")
    entry = Entry(
        about=f"{composition.dealer}/{trial.key}/player",
        words=words.format(dealer=shop.name),
        day=trial.on,
        hour=composition.hour,
        minutes=composition.minutes,
        sequence=composition.sequence,
        cancelled=is_cancelled,
    )
    year = dt.timedelta(days=366)
    zone = site.zone(session, composition.dealer)
    return calendar(entry.words, [entry], zone, trial.on - year, utc_now(), organizer)


def _for_the_calendar_if_moved(session: Session, row: OutboxItem, organizer: str) -> bytes | None:
    """Return the trial's day as a file where another one was told before; else it has been sent already, or is tomorrow."""
    return _for_the_calendar(session, row, organizer) if (row.values or {}).get("moved") else None


def _before_trial(session: Session, row: OutboxItem) -> Values:
    trial, composition, contact = composed_of(session, row)
    _check_is_ahead(trial, composition)
    cautions = ["pain", "bow_care", *(["shipping"] if trial.place is Place.POST else [])]
    own_bow = composition.own_plays > 0
    return (
        of_trial(trial, composition, contact)
        | _of_day(row, composition)
        | {
            # What to bring has a list of its own; at home there is the room to speak of too.
            "own_bow": own_bow,
            "advice": words.how_to_try(trial.place or Place.SHOP, own_bow=own_bow)[
                0 if trial.place is Place.POST else 1 :
            ],
            "plays": words.what_to_play(trial.instrument, trial.settings.split(), own_bow=own_bow),
            "cautions": [_(phrases.CAUTIONS[code]) for code in cautions],
        }
    )


def _after_trial(session: Session, row: OutboxItem) -> Values:
    trial, composition, contact = composed_of(session, row)
    revealed = composition.revealed_at is not None
    return of_trial(trial, composition, contact) | {
        "ratings": trial_texts.ratings(session, trial, revealed=revealed),
        "kept": trial_texts.kept(session, trial),
    }


def _result(session: Session, row: OutboxItem) -> Values:
    return _after_trial(session, row) | {"corrected": bool((row.values or {}).get("corrected"))}


def _result_link(session: Session, signer: Signer, row: OutboxItem, now: dt.datetime) -> Values:
    """Return the addresses behind which the trial's result and their own data stand."""
    from service.trials import player_result  # noqa: PLC0415 - numerics, which the command that sends should not wait for

    found = player_result.link(session, signer, row.about, row.address, now)
    return {"result": found} | data_links.in_mail(session, signer, row, now)


def _follow_up(session: Session, row: OutboxItem) -> Values:
    trial, composition, contact = composed_of(session, row)
    outcome = trial_texts.newest_outcome(session, trial)
    if outcome is None or outcome.outcome != OutcomeKind.KEPT:
        raise ObsoleteError(N_("The bow is no longer with the player."))
    return of_trial(trial, composition, contact) | {
        "bow": trial_texts.tier_name(session, outcome.copy),
        "kept_on": outcome.on,
    }


def _outcome_notice(session: Session, row: OutboxItem) -> Values:
    trial = session.scalar(select(Trial).where(Trial.key == row.values["trial"]))
    composition = session.get(Composition, trial.id) if trial else None
    if trial is None or composition is None:
        raise ObsoleteError(N_("The trial is no longer kept."))
    outcome = row.values["outcome"]
    return {
        "number": composition.number,
        "outcome": _(trial_texts.OUTCOMES[outcome]),
        "copy": row.values.get("copy"),
        "by_player": bool(row.values.get("by_player")),
        "returned": outcome == OutcomeKind.RETURNED,
        "path": f"/desk/trials/{trial.key}",
    }


def _answers(session: Session, signer: Signer, row: OutboxItem, now: dt.datetime) -> Values:
    """Return the addresses behind which a player says whether the bow is still the right one."""
    token = signer.make(STILL_RIGHT, row.about)
    own = data_links.in_mail(session, signer, row, now)
    return own | {"yes": f"/mail/still-right/{token}/yes", "no": f"/mail/still-right/{token}/no"}


_to_player = partial(MailKind, agreed=True, links=data_links.in_mail)
_IN = "trials/mail"
KINDS: Mapping[str, MailKind] = {
    "trial_set": _to_player(f"{_IN}/trial_set", N_("the day of a trial"), _trial_set, calendar=_for_the_calendar),
    "before_trial": _to_player(
        f"{_IN}/before_trial", N_("what to bring"), _before_trial, calendar=_for_the_calendar_if_moved
    ),
    "trial_cancelled": _to_player(
        f"{_IN}/trial_cancelled", N_("a trial cancelled"), _trial_cancelled, calendar=_for_the_calendar
    ),
    "after_trial": _to_player(f"{_IN}/after_trial", N_("what the ratings said"), _after_trial, links=_result_link),
    "result": _to_player(f"{_IN}/result", N_("which bow was which"), _result, links=_result_link),
    "follow_up": _to_player(f"{_IN}/follow_up", N_("still the right one?"), _follow_up, links=_answers),
    "outcome_notice": MailKind(f"{_IN}/outcome_notice", N_("notice of an outcome"), _outcome_notice),
}
"""What a trial sends; the texts lie in ``templates/trials/mail/KIND``."""

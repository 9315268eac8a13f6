"""Mails around a parcel: that it is on its way with the sheets' link, a reminder before it is due, and that it may stay longer."""

import datetime as dt
from collections.abc import Mapping
from functools import partial

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.core.language import N_
from service.core.signed_links import Signer
from service.dealers import shop_card
from service.mail import outbox
from service.mail.mail_kinds import MailKind, ObsoleteError, Values
from service.players import data_links
from service.tables import Composition, OutboxItem, Parcel, Trial
from service.trials import rater_links, trial_mails
from service.trials.shared import carried

REMINDED = (dt.timedelta(days=3), dt.timedelta(days=1))
"""How long before a parcel is due its player is reminded: time to play once more; of a short loan the day before."""
_A_DAY = dt.timedelta(days=1)


def sent(session: Session, user: int | None, dealer: str, key: str) -> None:
    """Queue that a parcel is on its way, with the link to the sheets, and the reminder."""
    found = trial_mails.player_of(session, key)
    if found:
        rater_links.seat_of(session, user, dealer, key, "player")
        outbox.queue(session, "parcel_sent", key, found[1])
        _remind(session, key)


def extended(session: Session, user: int | None, dealer: str, key: str) -> None:
    """Queue the new day by which a parcel is due; a reminder of the old one does not go out any more."""
    for kind in ("loan_extended", "due_soon"):
        outbox.undo(session, kind, key)
    found = trial_mails.player_of(session, key)
    if found:
        if not session.get_one(Composition, found[0].id).closed_at:
            rater_links.seat_of(session, user, dealer, key, "player")  # the one there was may have had its time
        outbox.queue(session, "loan_extended", key, found[1])
        _remind(session, key)


def _remind(session: Session, key: str) -> None:
    found = trial_mails.player_of(session, key)
    composition = session.get(Composition, found[0].id) if found else None
    if found is None or composition is None or composition.due_back is None:
        return
    morning = dt.datetime.combine(composition.due_back, trial_mails.MORNING)
    ahead = next((morning - by for by in REMINDED if morning - by > dt.datetime.now(dt.UTC) + _A_DAY), None)
    if ahead is not None:
        told = {"due_back": composition.due_back.isoformat()}
        outbox.queue(session, "due_soon", key, found[1], values=told, due=ahead)


def _of_parcel(session: Session, row: OutboxItem) -> tuple[Trial, Composition, Values]:
    """Return what every one of these mails tells; raises `ObsoleteError` once nothing is with the player any more."""
    trial, composition, contact = trial_mails.composed_of(session, row)
    out = [bow for bow in carried(session, trial.id) if bow.out_at is not None and bow.back_at is None]
    if not out:
        raise ObsoleteError(N_("The bows are back already."))
    told = trial_mails.of_trial(trial, composition, contact)
    return trial, composition, told | {"due_back": composition.due_back, "bows": len(out)}


def _sent(session: Session, row: OutboxItem) -> Values:
    trial, _composition, told = _of_parcel(session, row)
    parcel = session.get(Parcel, trial.id) or Parcel()
    number = parcel.number or ""
    return told | {"carrier": parcel.carrier, "number": number, "followed": shop_card.is_link(number)}


def _due_soon(session: Session, row: OutboxItem) -> Values:
    _trial, composition, told = _of_parcel(session, row)
    if composition.due_back is None or composition.due_back.isoformat() != (row.values or {}).get("due_back"):
        raise ObsoleteError(N_("The bows may stay longer; a reminder of the new day waits."))
    # The reader's clock may be a day behind.
    if composition.due_back < dt.datetime.now(dt.UTC).date() - _A_DAY:
        raise ObsoleteError(N_("The day by which the bows were due is past."))
    return told


def _sheets(session: Session, signer: Signer, row: OutboxItem, now: dt.datetime) -> Values:
    """Return the addresses of the player's sheets, while they are open, and of their own data."""
    dealer = session.scalar(select(Trial.dealer).where(Trial.key == row.about)) or ""
    paths = rater_links.open_paths(session, dealer, row.about, signer=signer)
    return {"sheets": paths.get("player")} | data_links.in_mail(session, signer, row, now)


_to_player = partial(MailKind, agreed=True, links=_sheets)
KINDS: Mapping[str, MailKind] = {
    "parcel_sent": _to_player("trials/mail/parcel_sent", N_("a parcel on its way"), _sent),
    "due_soon": _to_player("trials/mail/due_soon", N_("a reminder of bows lent"), _due_soon),
    "loan_extended": _to_player(
        "trials/mail/loan_extended", N_("bows lent for longer"), lambda *of: _of_parcel(*of)[2]
    ),
}
"""What a parcel sends; the texts lie in ``templates/trials/mail/KIND``."""

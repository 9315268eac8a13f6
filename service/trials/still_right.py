"""The player's answer, weeks later, to whether the bow is still the right one.

'Yes' is kept with the player and never enters the outcomes a second time. 'No' is an outcome: the bow is given back. It is not
yet in the shop by that, so it stands as in transit until the desk has it.
"""

import datetime as dt
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from model.domain.vocabulary import OutcomeKind
from service.core.errors import ConflictError, NotFoundError, existing
from service.core.language import _
from service.mail.mail_service import MailService
from service.tables import Composition, Copy, Dealer, FollowUp, Outcome, Trial
from service.trials import outcomes, trial_mails, trial_texts


@dataclass(frozen=True, slots=True)
class StillRightQuestion:
    """What a link asks about.

    ``bow``: the tier's name, empty where it is not known.
    ``answered``: what was answered so far, None for nothing.
    """

    dealer: str
    bow: str
    answered: bool | None


def asked(session: Session, mail_service: MailService, token: str) -> StillRightQuestion:
    """Return what a link asks about; raises `NotFoundError` for a link that is not ours or whose trial is gone."""
    trial = _trial(session, mail_service, token)
    follow_up = session.get(FollowUp, trial.id)
    kept = _kept(session, trial)
    name = session.scalar(select(Dealer.name).where(Dealer.slug == trial.dealer))
    return StillRightQuestion(
        name or "",
        trial_texts.tier_name(session, kept.copy if kept else None),
        follow_up.still_right if follow_up else None,
    )


def answer(session: Session, mail_service: MailService, token: str, now: dt.datetime, *, still_right: bool) -> None:
    """Keep the answer of a link; the same again changes nothing.

    Raises `NotFoundError`: the link is not ours, or the trial is gone; `ConflictError`: the bow is known to have come
    back.
    """
    trial = _trial(session, mail_service, token)
    session.scalar(select(Composition.trial).where(Composition.trial == trial.id).with_for_update())
    follow_up, kept = session.get(FollowUp, trial.id), _kept(session, trial)
    if follow_up is not None and follow_up.still_right == still_right:
        return
    if kept is None:
        raise ConflictError(_("The bow is recorded as given back already, so there is nothing left to answer."))
    if follow_up is None:
        session.add(FollowUp(trial=trial.id, still_right=still_right, at=now))
    else:
        follow_up.still_right, follow_up.at = still_right, now
    session.flush()
    if not still_right:
        _give_back(session, trial, kept, now.date())


def _trial(session: Session, mail_service: MailService, token: str) -> Trial:
    key = mail_service.signer.read(trial_mails.STILL_RIGHT, token)
    return existing(session.scalar(select(Trial).where(Trial.key == key)) if key else None)


def _kept(session: Session, trial: Trial) -> Outcome | None:
    newest = trial_texts.newest_outcome(session, trial)
    return newest if newest is not None and newest.outcome == OutcomeKind.KEPT else None


def _give_back(session: Session, trial: Trial, kept: Outcome, on: dt.date) -> None:
    """Record that the bow is given back, and tell the dealer first, so that the notice says by whom."""
    copy = kept.copy
    if trial.dealer is None or copy is None:
        raise NotFoundError
    on = max(on, kept.on)
    trial_mails.outcome_notice(session, trial.key, OutcomeKind.RETURNED, copy, on, by_player=True)
    outcomes.record(session, None, trial.dealer, trial.key, OutcomeKind.RETURNED, copy, None, on)
    session.get_one(Copy, copy).status = "in_transit"

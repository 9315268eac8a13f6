"""A dealer's trials and parcels as a calendar (RFC 5545 and 7986), from two months ago on.

No player is named: the feed lies with whoever keeps the shop's calendar, and every entry leads to the trial at the desk, behind the sign-in.
"""

import datetime as dt
from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Any

from sqlalchemy import ColumnElement, Row, func, or_, select
from sqlalchemy.orm import Session

from model.domain.vocabulary import Place
from service.calendar.calendar_entries import Entry, calendar
from service.core import formats, language
from service.core.language import _
from service.core.phrases import INSTRUMENTS
from service.dealers import site
from service.tables import Composition, Dealer, Trial, TrialCopy

BACK = dt.timedelta(days=60)
MOST = 2000
"""Trials in a feed, the latest first: at fifty a day more than the coming month."""
_A_YEAR = dt.timedelta(days=366)


def feed(session: Session, dealer: str, now: dt.datetime, desk: str) -> bytes:
    """Return a dealer's calendar in the dealer's language; ``desk`` begins the addresses of trials."""
    shop, today = session.get_one(Dealer, dealer), now.date()
    with language.using(shop.language):
        found = [entry for trial in _planned(session, dealer, today) for entry in _entries(trial, dealer, desk)]
        title = _("Bow trials at {dealer}").format(dealer=shop.name)
        return calendar(title, found, site.zone(session, dealer), today - BACK - _A_YEAR, now)


def _planned(session: Session, dealer: str, today: dt.date) -> Iterable[Row[*tuple[Any, ...]]]:
    """Return what the calendar shows: every trial composed at the dealer and not cancelled, of the last two months or to come.

    ``bows``: set aside for it; ``out``: of them still with the player.
    """
    latest = func.coalesce(Composition.due_back, Trial.on)
    return session.execute(
        select(Trial.key, Trial.instrument, Trial.place, Trial.on, Composition.number, Composition.state)
        .add_columns(Composition.out_from, Composition.due_back, Composition.hour, Composition.minutes)
        .add_columns(Composition.sequence, _copies().label("bows"))
        .add_columns(_copies(TrialCopy.out_at.is_not(None), TrialCopy.back_at.is_(None)).label("out"))
        .join(Trial, Trial.id == Composition.trial)
        .where(Composition.dealer == dealer, Composition.state != "cancelled")
        .where(or_(latest >= today - BACK, Composition.state == "open"))
        .order_by(Trial.on.desc(), Composition.number.desc())
        .limit(MOST)
    )


def _copies(*conditions: ColumnElement[bool]) -> ColumnElement[int]:
    counted = select(func.count(TrialCopy.id)).where(TrialCopy.trial == Composition.trial, *conditions)
    return counted.correlate(Composition).scalar_subquery()


def _entries(trial: Row[*tuple[Any, ...]], dealer: str, desk: str) -> Iterator[Entry]:
    instrument, bows = _(INSTRUMENTS[trial.instrument]), formats.bows(trial.bows)
    values = {"number": trial.number, "instrument": instrument, "bows": bows}

    def entry(what: str, day: dt.date, words: str) -> Entry:
        subject = f"{dealer}/{trial.key}/{what}"
        return Entry(subject, words.format(**values), day, url=f"{desk}/{trial.key}", sequence=trial.sequence)

    if trial.place != Place.POST:
        in_shop = entry("trial", trial.on, _("Trial {number}: {instrument}, {bows}"))
        yield replace(in_shop, hour=trial.hour, minutes=trial.minutes)
        return
    if trial.out_from:
        yield entry("out", trial.out_from, _("Parcel of trial {number} goes out: {instrument}, {bows}"))
    if trial.due_back:
        words = _("Parcel of trial {number} is due back: {instrument}, {bows}")
        if trial.state == "closed" and not trial.out:
            words = _("Parcel of trial {number} was due back; everything is here: {instrument}, {bows}")
        yield entry("back", trial.due_back, words)

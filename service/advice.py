"""The main way: answers in, a stored advice out. Page, JSON and mail read the same stored document."""

import datetime as dt
import json
import secrets
import uuid
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from model import personal
from model.copies import KnownBow, Plan
from model.design import MIDDLE_POSITION
from model.outlook import Outlook, Stock
from model.records import Answers, OwnBow, Run
from model.shortlist import Entry, Shortlist, propose
from model.view import View
from model.vocabulary import CRITERION_INDEX, Basis, Criterion, Place
from service import catalogue, language, versions, watch
from service.catalogue import Catalogue
from service.database import Database
from service.errors import Invalid, Refused
from service.forms import Questionnaire, check
from service.language import _
from service.mail import mails
from service.tables import Enquiry
from service.versions import Fitted
from service.words import reply

Document = dict[str, Any]
FEW_TRIALS = 60
"""With fewer trials of the instrument than this, the advice says that few stand behind it (a judgement)."""
FEW_OUTCOMES = 20
"""With fewer outcomes than this the prior rules what people keep, and the advice says so (a judgement)."""
STANDS_IN, BELIEFS_STAND_IN = "model_stands_in", "beliefs_stand_in"
"""Notes that the version in use is damaged, and what the advice rests on instead."""
COUNTING = frozenset({"prior_only", "few_outcomes"})
"""Notes that count what the model was fitted to: untrue where it cannot be read."""
CARRY_COST = 0.05
"""What carrying one more bow costs, in points, where the dealer has not said."""


@dataclass(frozen=True, slots=True)
class _Offer:
    """What this player can be offered: prices in one currency, the stock where it is known, and notes on both."""

    prices: Mapping[str, float]
    currency: str | None
    stock: Stock | None
    notes: tuple[tuple[str, dict[str, Any]], ...]


@dataclass(frozen=True, slots=True)
class Known:
    """What a dealer's own trials add to a player's answers; see `service.trials.marks`.

    Attributes
    ----------
    sheets : of bows of the range; for a bow among them the answers' own ratings of it do not count.
    own : ratings of the own bow that take the place of the answers', criterion by criterion.
    """

    sheets: tuple[Run, ...] = ()
    own: Mapping[Criterion, float] = field(default_factory=lambda: MappingProxyType({}))


NOTHING_KNOWN = Known()


def advise(
    session: Session, questionnaire: Questionnaire, *, store: bool = True, client: str | None = None
) -> Document:
    """Return the advice for a questionnaire and keep it as an enquiry of the caller's transaction, its mails with it.

    ``client``: the address of the network that it is asked from; None where that says nothing, as with a dealer's server.

    A known id returns what was stored for it, so that a repeat changes nothing.

    Raises
    ------
    Invalid
        An unknown dealer or serial, a bow that does not suit the instrument, an id that stands for other answers.
    """
    known = _known(session, questionnaire) if store else None
    if known is not None:
        return known
    fitted = versions.current(session)
    document = _advised(session, questionnaire, fitted)
    if store:
        enquiry = _enquiry(questionnaire, document, fitted)
        enquiry.doubted = watch.is_behind(session, enquiry.created_at)
        session.add(enquiry)
        session.flush()
        mails.advice(session, enquiry, client)
        mails.enquiry_notice(session, enquiry)
    return document


def recompute(session: Session, enquiry: str) -> Document:
    """Return the advice of a stored enquiry, computed anew by the version of the model that it was made with.

    As long as the range is unchanged it is what was stored. Nothing is changed.

    Raises
    ------
    Refused
        There is no such enquiry, or its version is no more or cannot be read.
    Invalid
        A dealer or bow that the answers name is gone.
    """
    row = session.get(Enquiry, enquiry)
    if row is None:
        msg = f"There is no enquiry {enquiry}."
        raise Refused(msg)
    fitted = _as_it_stood_in(versions.load(session, row.model_version), row.advice)
    document = _advised(session, check(row.answers), fitted)
    return document | {key: row.advice[key] for key in ("id", "created")}


@dataclass(frozen=True, slots=True)
class Considered:
    """An advice with what it was made from: for the desk, which goes on from it with single bows."""

    questionnaire: Questionnaire
    now_on_sale: Catalogue
    fitted: Fitted
    view: View
    outlook: Outlook
    shortlist: Shortlist
    document: Document
    currency: str | None


def consider(
    session: Session,
    questionnaire: Questionnaire,
    at_hand: Collection[str] | None = None,
    known: Known = NOTHING_KNOWN,
) -> Considered:
    """Return the advice with its parts, nothing stored; ``at_hand`` are the serials to choose from, None: the dealer's stock.

    Raises `Invalid` as `advise` does.
    """
    return _considered(session, questionnaire, versions.current(session), at_hand, known)


def _advised(session: Session, questionnaire: Questionnaire, fitted: Fitted) -> Document:
    return _considered(session, questionnaire, fitted).document


def _considered(
    session: Session,
    questionnaire: Questionnaire,
    fitted: Fitted,
    at_hand: Collection[str] | None = None,
    known: Known = NOTHING_KNOWN,
) -> Considered:
    now_on_sale = catalogue.current(session)
    view = now_on_sale.view(fitted)
    _check_dealer(questionnaire, now_on_sale)
    rated = {run.copy for run in known.sheets}
    told = tuple(each for each in questionnaire.tried if each.copy_ not in rated)
    questionnaire = questionnaire.model_copy(update={"tried": told}) if rated else questionnaire
    runs = _tried(questionnaire, view)
    answers = _with_own(questionnaire.answers(), known.own)
    suited = set(view.suited(answers.instrument, answers.hold).serials)
    runs += [run for run in known.sheets if run.copy in suited]
    outlook = personal.outlook(view, answers, runs)
    offer = _offer(questionnaire, now_on_sale, outlook)
    if at_hand is not None:
        offer = replace(offer, stock=outlook.stock.only(at_hand))
    shortlist = _proposal(questionnaire, now_on_sale, outlook, offer)
    document = _document(questionnaire, now_on_sale, fitted, outlook, offer, shortlist)
    document["notes"] = _standing_in(fitted, document["notes"] + _model_notes(view, answers))
    return Considered(questionnaire, now_on_sale, fitted, view, outlook, shortlist, document, offer.currency)


def _with_own(answers: Answers, own: Mapping[Criterion, float]) -> Answers:
    if not own or answers.plays_no_bow:
        return answers
    bow = answers.own_bow or OwnBow()
    return replace(answers, own_bow=replace(bow, ratings={**bow.ratings, **own}))


def stored(session: Session, address: str) -> Document | None:
    """Return the advice at an enquiry's unguessable address, None where there is none."""
    return session.scalar(select(Enquiry.advice).where(Enquiry.address == address))


def language_of(session: Session, address: str) -> str | None:
    """Return the language in which the advice at an enquiry's address was asked for."""
    return session.scalar(select(Enquiry.language).where(Enquiry.address == address))


def address_of(session: Session, enquiry: str) -> str | None:
    """Return the unguessable part of an enquiry's link."""
    return session.scalar(select(Enquiry.address).where(Enquiry.id == enquiry))


def advise_json(database: Database, body: object, *, operator: bool = True) -> Document:
    """Return the API's answer to the API's body for the command line; nothing is stored.

    Raises
    ------
    Invalid
        Every field that cannot be used, by path.
    """
    asked_in = body.get("language") if isinstance(body, dict) else None
    with language.using(asked_in if isinstance(asked_in, str) else None):
        questionnaire = check(body)
        with database.reading() as session:
            return reply(advise(session, questionnaire, store=False), operator=operator)


# Checks against what is on sale


def _known(session: Session, questionnaire: Questionnaire) -> Document | None:
    if questionnaire.id is None:
        return None
    row = session.get(Enquiry, str(questionnaire.id))
    if row is None:
        return None
    if _unordered(row.answers) != _unordered(questionnaire.body()):
        raise Invalid([("id", _("This id stands for other answers already; draw a new one for a new enquiry."))])
    return dict(row.advice)


def _unordered(answers: Document) -> Document:
    """Return answers in one order, that of the lists whose order says nothing; the priorities' says which comes first."""
    ordered = dict(answers)
    for name in ("settings", "tried"):
        if name in ordered:
            ordered[name] = sorted(ordered[name], key=lambda item: json.dumps(item, sort_keys=True))
    return ordered


def _check_dealer(questionnaire: Questionnaire, now_on_sale: Catalogue) -> None:
    if questionnaire.dealer is not None and questionnaire.dealer not in now_on_sale.dealers:
        sentence = _("There is no dealer {dealer} here; leave the dealer out to ask about the whole range.")
        raise Invalid([("dealer", sentence.format(dealer=questionnaire.dealer))])


def _tried(questionnaire: Questionnaire, view: View) -> list[Run]:
    """Return the tried bows as runs at a typical place of a trial; raises `Invalid` for those that cannot be used."""
    answers = questionnaire.answers()
    suited = set(view.suited(answers.instrument, answers.hold).serials)
    problems = []
    for place, tried in enumerate(questionnaire.tried):
        if tried.copy_ not in view.range.copies:
            problems.append(
                (f"tried.{place}.copy", _("There is no bow {copy} in the range; look at its serial again."))
            )
        elif tried.copy_ not in suited:
            problems.append(
                (f"tried.{place}.copy", _("The bow {copy} is for another instrument or hold; leave it out."))
            )
    if problems:
        serials = [questionnaire.tried[int(path.split(".")[1])].copy_ for path, _text in problems]
        raise Invalid([(path, text.format(copy=copy)) for (path, text), copy in zip(problems, serials, strict=True)])
    return [Run(int(MIDDLE_POSITION), tried.copy_, tried.ratings) for tried in questionnaire.tried]


# What can be offered


def _offer(questionnaire: Questionnaire, now_on_sale: Catalogue, outlook: Outlook) -> _Offer:
    dealer = questionnaire.dealer
    priced = {
        tier.slug: now_on_sale.prices[dealer][tier.slug]
        for tier in outlook.tiers
        if tier.slug in now_on_sale.prices[dealer]
    }
    currency = _currency(questionnaire, now_on_sale, priced)
    prices = {slug: float(amount) for slug, (amount, of) in priced.items() if of == currency}
    notes: list[tuple[str, dict[str, Any]]] = []
    if not outlook.tiers:
        answers = outlook.answers
        notes.append(("no_tier", {"instrument": str(answers.instrument), "hold": answers.hold and str(answers.hold)}))
    elif not prices:
        notes.append(("no_tier_in_currency", {"currency": currency}))
    elif len(prices) < len(priced):
        notes.append(("currency_only", {"currency": currency}))
    stock = None
    if dealer is not None:
        stock = outlook.stock.only(now_on_sale.stock[dealer])
    return _Offer(prices, currency, stock, tuple(notes))


def _currency(
    questionnaire: Questionnaire, now_on_sale: Catalogue, priced: Mapping[str, tuple[Any, str]]
) -> str | None:
    """Return the budget's currency, else the dealer's, else the one that most of the tiers are priced in."""
    if questionnaire.budget:
        return questionnaire.budget.currency
    dealer = now_on_sale.dealers.get(questionnaire.dealer or "")
    used = [of for _amount, of in priced.values()]
    if dealer and dealer.currency in used:
        return dealer.currency
    return max(sorted(set(used)), key=used.count) if used else None


def _proposal(questionnaire: Questionnaire, now_on_sale: Catalogue, outlook: Outlook, offer: _Offer) -> Shortlist:
    budget, dealer = questionnaire.budget, now_on_sale.dealers.get(questionnaire.dealer or "")
    asked_stretch = budget is not None and "stretch_percent" in budget.model_fields_set
    return propose(
        outlook,
        offer.prices,
        budget=budget.amount if budget else None,
        stretch=budget.stretch_percent / 100 if budget and asked_stretch else None,
        minutes=questionnaire.trial.minutes,
        carry_cost=dealer.carry_cost if dealer and dealer.carry_cost is not None else CARRY_COST,
        stock=offer.stock,
    )


# The document


def _document(
    questionnaire: Questionnaire,
    now_on_sale: Catalogue,
    fitted: Fitted,
    outlook: Outlook,
    offer: _Offer,
    shortlist: Shortlist,
) -> Document:
    place = questionnaire.trial.place
    return {
        "id": str(questionnaire.id or uuid.uuid4()),
        "created": _moment(dt.datetime.now(dt.UTC)),
        "answers": questionnaire.body(),
        "model": {
            "version": fitted.version,
            "fitted": fitted.fitted_at and _moment(fitted.fitted_at),
            "basis": str(outlook.basis),
            "trials": outlook.trials,
            "trials_all": outlook.trials_all,
            "priority_weight": outlook.priority_weight,
        },
        "shortlist": [_entry(entry, now_on_sale.names[entry.tier], offer.currency) for entry in shortlist.entries],
        "own_bow": _own_bow(outlook),
        "trial": _trial(shortlist, shortlist.plan, place) if shortlist.plan else None,
        "cautions": ["estimate", "pain", "bow_care", *(["shipping"] if place is Place.POST else []), "personal_data"],
        "notes": [
            {"code": code, "values": values}
            for code, values in _notes(questionnaire, now_on_sale, outlook, offer, shortlist)
        ],
    }


def _moment(moment: dt.datetime) -> str:
    return moment.astimezone(dt.UTC).replace(microsecond=0).isoformat().replace("+00:00", "Z")


def _rounded(value: float, digits: int) -> float:
    return round(float(value), digits) + 0.0  # + 0.0: no minus before a zero


def _entry(entry: Entry, name: str, currency: str | None) -> dict[str, Any]:
    return {
        "tier": entry.tier,
        "name": name,
        "price": int(entry.price) if float(entry.price).is_integer() else entry.price,
        "currency": currency,
        "role": str(entry.role),
        "fit": {
            "expected": _rounded(entry.expected, 2),
            "low": _rounded(entry.low, 2),
            "high": _rounded(entry.high, 2),
            "level": entry.level,
        },
        "beats_own_bow": _rounded(entry.beats_own_bow, 3),
        "copies": entry.copies,
        "reasons": [{"criterion": str(r.criterion), "effect": _rounded(r.effect, 2)} for r in entry.reasons],
        "weaknesses": [{"criterion": str(r.criterion), "effect": _rounded(r.effect, 2)} for r in entry.weaknesses],
    }


def _own_bow(outlook: Outlook) -> dict[str, Any]:
    bow = outlook.yardstick
    if isinstance(bow, KnownBow):
        return {"state": "none" if outlook.answers.plays_no_bow else "rated", "level": _rounded(bow.level, 2)}
    return {"state": "unrated", "level": _rounded(bow.mean, 2)}


def _trial(shortlist: Shortlist, plan: Plan, place: Place) -> dict[str, Any]:
    return {
        "copies": plan.recommended.copies,
        "runs": shortlist.runs,
        "minutes": shortlist.minutes,
        "chance_one_beats_own_bow": _rounded(plan.recommended.chance, 3),
        "by_copies": [
            {
                "copies": row.copies,
                "bows": row.bows,
                "chance": _rounded(row.chance, 3),
                "expected_gain": _rounded(row.gain, 3),
            }
            for row in plan.rows
        ],
        "bring": list(shortlist.bring),
        "place": str(place),
    }


def _notes(
    questionnaire: Questionnaire, now_on_sale: Catalogue, outlook: Outlook, offer: _Offer, shortlist: Shortlist
) -> list[tuple[str, dict[str, Any]]]:
    notes: list[tuple[str, dict[str, Any]]] = []
    if outlook.basis is Basis.PRIOR:
        notes.append(("prior_only", {"trials": outlook.trials}))
    elif outlook.trials < FEW_TRIALS:
        notes.append(("few_trials", {"trials": outlook.trials}))
    notes += offer.notes
    if shortlist.over_budget and questionnaire.budget:
        notes.append(
            ("over_budget", {"amount": questionnaire.budget.amount, "currency": questionnaire.budget.currency})
        )
    if questionnaire.budget is None:
        notes.append(("no_budget", {}))
    if shortlist.bring and questionnaire.dealer:
        notes.append(("by_stock", {"dealer": now_on_sale.dealers[questionnaire.dealer].name}))
    notes += [("short_of_stock", {"tier": tier, "missing": n}) for tier, n in shortlist.short_of_stock.items()]
    if shortlist.limited_by_time:
        notes.append(("limited_by_time", {"minutes": questionnaire.trial.minutes}))
    return notes + _own_notes(questionnaire, outlook)


def _own_notes(questionnaire: Questionnaire, outlook: Outlook) -> list[tuple[str, dict[str, Any]]]:
    notes: list[tuple[str, dict[str, Any]]] = []
    own = outlook.answers.own_bow
    if not outlook.answers.plays_no_bow and not isinstance(outlook.yardstick, KnownBow):
        notes.append(("unrated_own_bow", {}))
    if own and own.mass_g and outlook.answers.wish_mass:
        notes.append(("own_mass", {"mass_g": own.mass_g}))
    if questionnaire.tried:
        notes.append(("tried_used", {"count": len(questionnaire.tried)}))
    return notes


def _model_notes(view: View, answers: Answers) -> list[dict[str, Any]]:
    """Return notes on what the beliefs alone say: priorities that nobody has rated yet, and how much priorities weigh."""
    rows, outcomes = np.asarray(view.posterior.rows), view.posterior.keeping.outcomes
    notes: list[dict[str, Any]] = []
    unknown = [str(c) for c in answers.priorities if rows.any() and not rows[CRITERION_INDEX[c]]]
    if unknown:
        notes.append({"code": "priorities_unknown", "values": {"criteria": unknown}})
    if answers.priorities and outcomes < FEW_OUTCOMES:
        notes.append({"code": "few_outcomes", "values": {"outcomes": outcomes}})
    return notes


def _standing_in(fitted: Fitted, notes: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the notes, headed by one where the version in use is damaged; none that counts trials then, which are there."""
    if fitted.instead_of is None:
        return notes
    if fitted.posterior is not None:
        return [{"code": STANDS_IN, "values": {"version": fitted.instead_of}}, *notes]
    others = [note for note in notes if note["code"] not in COUNTING]
    return [{"code": BELIEFS_STAND_IN, "values": {"version": fitted.instead_of}}, *others]


def _as_it_stood_in(fitted: Fitted, stored: Document) -> Fitted:
    """Return a version as one that stood in for another, where it did so when the advice was stored."""
    stood_in = (note["values"]["version"] for note in stored["notes"] if note["code"] in (STANDS_IN, BELIEFS_STAND_IN))
    return replace(fitted, instead_of=next(stood_in, None))


def _enquiry(questionnaire: Questionnaire, document: Document, fitted: Fitted) -> Enquiry:
    contact = questionnaire.contact
    return Enquiry(
        id=document["id"],
        address=secrets.token_urlsafe(24),
        created_at=dt.datetime.now(dt.UTC),
        dealer=questionnaire.dealer,
        language=language.known(questionnaire.language) or language.spoken(),
        answers=document["answers"],
        contact=contact.model_dump(mode="json", exclude_none=True) if contact else None,
        advice=document,
        model_version=fitted.version,
    )

"""The main way: answers in, a stored advice out. Page, JSON and mail read the same stored document."""

import datetime as dt
import json
import secrets
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from model.domain.records import Answers, OwnBow, Run
from model.domain.vocabulary import Criterion
from model.features import MIDDLE_POSITION
from model.preference import CataloguePosterior, Player, Prediction, prediction_of
from model.trial import Offer, propose
from model.trial import influence as influences
from service.advice import advice_mails
from service.advice.document import (
    OF_MARKS,
    Considered,
    Document,
    Offered,
    as_it_stood_in,
    influence_document,
    known_then,
    of_marks,
    unread,
)
from service.advice.words import reply
from service.core import dealer_wall, language
from service.core.database import Database
from service.core.errors import ConflictError, FieldCode, FieldProblem, InvalidInputError
from service.core.language import _
from service.core.made_once import MadeOnce
from service.core.prepared import prepared
from service.modelling import catalogue, present, versions
from service.modelling.catalogue import Catalogue
from service.modelling.present import Present
from service.modelling.versions import Fitted
from service.players import same_person
from service.players.known import NO_MARKS, Marks, of_server
from service.questionnaire.forms import Questionnaire, check
from service.tables import Enquiry


def advise(
    session: Session,
    questionnaire: Questionnaire,
    *,
    store: bool = True,
    client: str | None = None,
    marks: Marks = NO_MARKS,
) -> Document:
    """Return the advice for a questionnaire and keep it as an enquiry of the caller's transaction, its mails with it.

    ``client``: the address of the network that it is asked from; None where that says nothing, as with a dealer's server.
    ``marks``: what is known of whoever asks, where that is sure.

    A known id returns what was stored for it, so that a repeat changes nothing.

    Raises `InvalidInputError`: an unknown dealer or serial, a bow that does not suit the instrument, an id that stands
    for other answers.
    """
    if not store:
        return _advised(session, questionnaire, marks, present.read(session))[0]
    known = _known(session, questionnaire, marks)
    if known is not None:
        return known
    return enquire(session, questionnaire, client=client, marks=marks, present=present.read(session)).advice


def enquire(
    session: Session, questionnaire: Questionnaire, *, client: str | None, marks: Marks, present: Present
) -> Enquiry:
    """Keep the advice for a questionnaire whose id stands for no other yet; ``present``: how things stand. See `advise`."""
    document, fitted, now_on_sale = _advised(session, questionnaire, marks, present)
    enquiry = _enquiry(questionnaire, document, fitted)
    enquiry.player = marks.player
    enquiry.doubted = present.is_behind(enquiry.created_at)
    session.add(enquiry)
    session.flush()
    # Whose enquiry it is: the dealer's on whose page it was made, else the only one's there is.
    slug = enquiry.dealer or (next(iter(now_on_sale.dealers)) if len(now_on_sale.dealers) == 1 else None)
    advice_mails.enquiry(
        session, enquiry, advice_mails.Shop(slug, now_on_sale.dealers[slug].language) if slug else None, client
    )
    return enquiry


def _advised(
    session: Session, questionnaire: Questionnaire, marks: Marks, present: Present
) -> tuple[Document, Fitted, Catalogue]:
    fitted = versions.current(session, present)
    considered = _considered(session, questionnaire, fitted, known=marks, present=present)
    document = considered.document | {"answers": questionnaire.body(), **of_marks(marks)}
    return document, fitted, considered.now_on_sale


def recompute(session: Session, enquiry: str) -> Document:
    """Return the advice of a stored enquiry, computed anew by the version of the model that it was made with.

    As long as the range is unchanged it is what was stored. Nothing is changed.

    Raises `ConflictError`: there is no such enquiry, or its version is no more or cannot be read; `InvalidInputError`:
    a dealer or bow that the answers name is gone.
    """
    row = session.get(Enquiry, enquiry)
    if row is None:
        msg = f"There is no enquiry {enquiry}."
        raise ConflictError(msg)
    kept = row.advice
    fitted = as_it_stood_in(versions.load(session, row.model_version), kept)
    document = _considered(session, check(row.answers), fitted, known=known_then(kept)).document
    return document | {key: kept[key] for key in ("id", "created", "answers", *OF_MARKS) if key in kept}


EXPLANATIONS_KEPT = 500
_explained: MadeOnce[tuple[str, str, str], list[Document]] = MadeOnce(EXPLANATIONS_KEPT)
"""What answers did, by the enquiry's address, which no client draws, model and state of the range: kept, since it takes as long as ten answers."""


def influence(session: Session, address: str) -> list[Document] | None:
    """Return what each answer of a stored enquiry did, None where there is none at this address; nothing is changed.

    With the version of the model that advised, or with the one in use where that is gone, over the range as it stands now.

    Raises `InvalidInputError`: a dealer or bow that the answers name is gone.
    """
    row = session.scalar(select(Enquiry).where(Enquiry.address == address))
    if row is None:
        return None
    try:
        fitted = versions.load(session, row.model_version)
    except ConflictError:
        fitted = versions.current(session)
    key = (address, fitted.key, catalogue.current(session).mark)
    answers, told = row.answers, row.told
    return _explained.of(key, lambda: _influence(session, check(answers), fitted, known_then(told)))


def _influence(session: Session, questionnaire: Questionnaire, fitted: Fitted, known: Marks) -> list[Document]:
    considered = _considered(session, questionnaire, fitted, known=known)
    shown = considered.now_on_sale
    offer = _offer(questionnaire, shown, considered.offered, shown.stock.get(questionnaire.dealer or ""))
    found = influences(considered.view, considered.outlook.answers, list(considered.runs), offer)
    return [influence_document(each, shown.names) for each in found] + unread(questionnaire)


def consider(
    session: Session, questionnaire: Questionnaire, at_hand: Collection[str] | None = None, known: Marks = NO_MARKS
) -> Considered:
    """Return the advice with its parts, nothing stored; ``at_hand`` are the serials to choose from, None: the dealer's stock.

    Raises `InvalidInputError` as `advise` does.
    """
    now = present.read(session)
    return _considered(session, questionnaire, versions.current(session, now), at_hand, known, now)


def _considered(
    session: Session,
    questionnaire: Questionnaire,
    fitted: Fitted,
    at_hand: Collection[str] | None = None,
    known: Marks = NO_MARKS,
    present: Present | None = None,
) -> Considered:
    now_on_sale = catalogue.current(session, present)
    view = now_on_sale.view(fitted)
    _check_dealer(questionnaire, now_on_sale)
    rated = {run.copy for run in known.sheets}
    runs = _tried(questionnaire, view, rated)
    told = tuple(each for each in questionnaire.tried if each.copy_ not in rated)
    questionnaire = questionnaire.model_copy(update={"tried": told}) if rated else questionnaire
    answers = _with_own(questionnaire.answers(), known.own)
    suited = set(view.suited(answers.instrument, answers.hold).serials)
    runs += [run for run in known.sheets if run.copy in suited]
    player = Player(view, answers, runs)
    outlook = prediction_of(player)
    offered = _offered(questionnaire, now_on_sale, outlook)
    hand = at_hand if at_hand is not None else now_on_sale.stock.get(questionnaire.dealer or "")
    proposal = propose(player, outlook, runs, _offer(questionnaire, now_on_sale, offered, hand))
    return Considered(questionnaire, now_on_sale, fitted, view, player, outlook, tuple(runs), offered, proposal)


def _with_own(answers: Answers, own: Mapping[Criterion, float]) -> Answers:
    if not own or answers.plays_no_bow:
        return answers
    bow = answers.own_bow or OwnBow()
    return replace(answers, own_bow=replace(bow, ratings={**bow.ratings, **own}))


@dataclass(frozen=True, slots=True)
class StoredAnswer:
    """A stored answer: its document, the language it was asked for in, and whether somebody is known to whom it can be mailed."""

    advice: Document
    language: str
    has_address: bool


def stored(session: Session, address: str) -> StoredAnswer | None:
    """Return the answer at an enquiry's unguessable address, None where there is none."""
    row = session.scalar(*_at(address))
    return StoredAnswer(row.advice, row.language, bool((row.contact or {}).get("email"))) if row else None


@prepared
def _at(address: str) -> Select[Enquiry]:
    return select(Enquiry).where(Enquiry.address == address)


def address_of(session: Session, enquiry: str) -> str | None:
    """Return the unguessable part of an enquiry's link."""
    return session.scalar(select(Enquiry.address).where(Enquiry.id == enquiry))


def advise_json(database: Database, body: object, *, operator: bool = True) -> Document:
    """Return the API's answer to the API's body for the command line; nothing is stored.

    Raises `InvalidInputError`: every field that cannot be used, by path.
    """
    asked_in = body.get("language") if isinstance(body, dict) else None
    with language.using(asked_in if isinstance(asked_in, str) else None):
        questionnaire = check(body)
        with database.reading() as session:
            marks = of_server(session, questionnaire)
            return reply(advise(session, questionnaire, store=False, marks=marks), operator=operator)


# Checks against what is on sale


def _known(session: Session, questionnaire: Questionnaire, marks: Marks) -> Document | None:
    if questionnaire.id is None:
        return None
    with dealer_wall.lifted(session):  # an id is another's too
        row = session.get(Enquiry, str(questionnaire.id))
    if row is None:
        return None
    whose = row.told.get("player")
    stands = same_person.head_of(session, row.dealer, whose) if whose is not None and row.dealer else whose
    if _unordered(row.answers) != _unordered(questionnaire.body()) or stands != marks.player:
        sentence = _("This id stands for other answers already; draw a new one for a new enquiry.")
        raise InvalidInputError([FieldProblem("id", sentence, FieldCode.TAKEN)])
    return row.advice


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
        raise InvalidInputError(
            [FieldProblem("dealer", sentence.format(dealer=questionnaire.dealer), FieldCode.NOT_HERE)]
        )


def _tried(questionnaire: Questionnaire, view: CataloguePosterior, rated: Collection[str | None]) -> list[Run]:
    """Return the tried bows as runs at a typical place of a trial; raises `InvalidInputError` for those that cannot be used.

    ``rated``: those whose sheets count instead.
    """
    answers = questionnaire.answers()
    suited = set(view.suited(answers.instrument, answers.hold).serials)
    problems: list[FieldProblem] = []
    named = [(place, each) for place, each in enumerate(questionnaire.tried) if each.copy_ not in rated]
    for place, tried in named:
        if tried.copy_ not in view.range.copies:
            sentence = _("There is no bow {copy} in the range; look at its serial again.").format(copy=tried.copy_)
            problems.append(FieldProblem(f"tried.{place}.copy", sentence, FieldCode.NOT_HERE))
        elif tried.copy_ not in suited:
            sentence = _("The bow {copy} is for another instrument or hold; leave it out.").format(copy=tried.copy_)
            problems.append(FieldProblem(f"tried.{place}.copy", sentence, FieldCode.CONTRADICTS))
    if problems:
        raise InvalidInputError(problems)
    return [Run(int(MIDDLE_POSITION), tried.copy_, tried.ratings) for _place, tried in named]


# What can be offered


def _offered(questionnaire: Questionnaire, now_on_sale: Catalogue, outlook: Prediction) -> Offered:
    dealer = questionnaire.dealer
    priced = {
        tier.slug: now_on_sale.prices[dealer][tier.slug]
        for tier in outlook.tiers
        if tier.slug in now_on_sale.prices[dealer]
    }
    currency = _currency(questionnaire, now_on_sale, priced)
    prices = {
        slug: float(amount) for slug, (amount, currency_of_price) in priced.items() if currency_of_price == currency
    }
    notes: list[tuple[str, dict[str, Any]]] = []
    if not outlook.tiers:
        answers = outlook.answers
        notes.append(("no_tier", {"instrument": str(answers.instrument), "hold": answers.hold and str(answers.hold)}))
    elif not prices:
        notes.append(("no_tier_in_currency", {"currency": currency}))
    elif len(prices) < len(priced):
        notes.append(("currency_only", {"currency": currency}))
    return Offered(prices, currency, tuple(notes))


def _currency(
    questionnaire: Questionnaire, now_on_sale: Catalogue, priced: Mapping[str, tuple[Any, str]]
) -> str | None:
    """Return the budget's currency, else the dealer's, else the one that most of the tiers are priced in."""
    if questionnaire.budget:
        return questionnaire.budget.currency
    dealer = now_on_sale.dealers.get(questionnaire.dealer or "")
    used = [currency for _amount, currency in priced.values()]
    if dealer and dealer.currency in used:
        return dealer.currency
    return max(sorted(set(used)), key=used.count) if used else None


def _offer(
    questionnaire: Questionnaire, now_on_sale: Catalogue, offered: Offered, at_hand: Collection[str] | None
) -> Offer:
    budget, dealer = questionnaire.budget, now_on_sale.dealers.get(questionnaire.dealer or "")
    asked_stretch = budget is not None and "stretch_percent" in budget.model_fields_set
    return Offer(
        prices=offered.prices,
        budget=budget.amount if budget else None,
        stretch=budget.stretch_percent / 100 if budget and asked_stretch else None,
        minutes=questionnaire.trial.minutes,
        place=questionnaire.trial.place,
        carry_cost=dealer.carry_cost if dealer else None,
        at_hand=None if at_hand is None else frozenset(at_hand),
        noted=frozenset(now_on_sale.notes),
    )


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

"""One player's answer as data: what is stored of an advice, and what page, JSON and mail read; no words."""

import datetime as dt
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from statistics import fmean
from typing import Any

import numpy as np

from model.domain.records import Answers, Run
from model.domain.vocabulary import CRITERION_INDEX, Basis, BowKind, Criterion, Place, Role
from model.preference import CataloguePosterior, Player, Prediction
from model.trial import STRETCH, AdvicePart, Change, Entry, Influence, Proposal, Reason, VerdictCode
from service.advice.reasons import ALIKE
from service.modelling.catalogue import Catalogue
from service.modelling.versions import Fitted
from service.players.known import Marks
from service.questionnaire.declared import MISSING
from service.questionnaire.forms import Budget, Questionnaire
from service.questionnaire.questions import QUESTIONS
from service.tables.columns import in_json

Document = dict[str, Any]
Note = tuple[str, dict[str, Any]]
FEW_TRIALS = 60
"""With fewer trials of the instrument than this, the advice says that few stand behind it (a judgement)."""
SURELY = 0.999
"""A chance is never told as certain."""
FEW_OUTCOMES = 20
"""With fewer outcomes than this the prior rules what people keep, and the advice says so (a judgement)."""
STANDS_IN, BELIEFS_STAND_IN = "model_stands_in", "beliefs_stand_in"
"""Notes that the version in use is damaged, and what the advice rests on instead."""
MOST_ELSEWHERE = 3
"""So many tiers are named of which somebody else has bows."""
COUNTING = frozenset({"prior_only", "few_outcomes"})
"""Notes that count what the model was fitted to: untrue where it cannot be read."""


@dataclass(frozen=True, slots=True)
class Offered:
    """What this player can be offered: prices in one currency, and notes on them."""

    prices: Mapping[str, float]
    currency: str | None
    notes: tuple[Note, ...]


@dataclass(frozen=True)
class Considered:
    """An advice with what it is made from: for the desk, which goes on from it with single bows.

    ``questionnaire``: without what stored marks take the place of. ``outlook``: what the player can be expected to feel.
    """

    questionnaire: Questionnaire
    now_on_sale: Catalogue
    fitted: Fitted
    view: CataloguePosterior
    player: Player
    outlook: Prediction
    runs: tuple[Run, ...]
    offered: Offered
    proposal: Proposal

    @cached_property
    def document(self) -> Document:
        """Return the whole of the answer; its id and moment are drawn once."""
        return _document(self)


def _document(of: Considered) -> Document:
    """Return the whole of an answer."""
    place, proposal, outlook = of.questionnaire.trial.place, of.proposal, of.outlook
    notes = [{"code": code, "values": values} for code, values in _notes(of)] + _model_notes(of.view, outlook.answers)
    return {
        "id": str(of.questionnaire.id or uuid.uuid4()),
        "created": in_json(dt.datetime.now(dt.UTC)),
        "answers": of.questionnaire.body(),
        "model": {
            "version": of.fitted.version,
            "fitted": of.fitted.fitted_at and in_json(of.fitted.fitted_at),
            "basis": str(outlook.basis),
            "trials": outlook.trials,
            "trials_all": outlook.trials_all,
            "priority_weight": outlook.priority_weight,
        },
        "verdict": _verdict(of),
        "shortlist": [_entry(entry, of) for entry in proposal.entries],
        "own_bow": _own_bow(outlook),
        "trial": _trial(proposal, place) if proposal.entries else None,
        "more": _more(of),
        "tried": _tried(of),
        "cautions": ["estimate", "pain", "bow_care", *(["shipping"] if place is Place.POST else []), "personal_data"],
        "notes": _standing_in(of.fitted, notes),
    }


def _rounded(value: float, digits: int) -> float:
    return round(float(value), digits) + 0.0  # + 0.0: no minus before a zero


def _price(value: float) -> float:
    return int(value) if float(value).is_integer() else value


def _verdict(of: Considered) -> dict[str, Any]:
    found, proposal = of.proposal.verdict, of.proposal
    changes_at = found.changes_at
    scarce = found.code in (VerdictCode.ASK, VerdictCode.KEEP) or proposal.missing > 0
    return {
        "code": str(found.code),
        "chance": _rounded(found.chance, 3),
        "expected_gain": _rounded(found.gain, 3),
        "changes_at": changes_at
        and {
            "price": _price(changes_at[0]),
            "currency": of.offered.currency,
            "tier": changes_at[1],
            "name": of.now_on_sale.names[changes_at[1]],
        },
        **({"higher_would_not": True} if found.higher_would_not else {}),
        "elsewhere": _elsewhere(of) if scarce and of.questionnaire.dealer else [],
    }


def _elsewhere(of: Considered) -> list[dict[str, Any]]:
    """Return who else has bows that suit: the workshop, of the listed tiers, and of those in reach that are liked most."""
    tiers = [*dict.fromkeys([*(entry.tier for entry in of.proposal.entries), *in_reach(of)])]
    workshop_stock = of.now_on_sale.workshop_by_tier(tiers, of.questionnaire.hold)
    return [
        {
            "tier": tier,
            "name": of.now_on_sale.names[tier],
            "price": _price(of.offered.prices[tier]),
            "currency": of.offered.currency,
            "where": "workshop",
            "count": workshop_stock[tier],
        }
        for tier in tiers
        if workshop_stock.get(tier)
    ][:MOST_ELSEWHERE]


def most_paid(budget: Budget | None) -> float | None:
    """Return the highest price in reach of a budget, beyond it by the usual share where the player did not say; None without one."""
    if budget is None:
        return None
    said = "stretch_percent" in budget.model_fields_set
    return budget.amount * (1 + (budget.stretch_percent / 100 if said else STRETCH))


def in_reach(of: Considered) -> list[str]:
    """Return the tiers that the player could pay, the one liked most first."""
    limit = most_paid(of.questionnaire.budget)
    order = np.argsort(-of.outlook.mean, kind="stable").tolist()
    slugs = [of.outlook.tiers[place].slug for place in order]
    prices = of.offered.prices
    return [slug for slug in slugs if slug in prices and (limit is None or prices[slug] <= limit)]


def _entry(entry: Entry, of: Considered) -> dict[str, Any]:
    shown = of.now_on_sale
    return {
        "tier": entry.tier,
        "name": shown.names[entry.tier],
        "price": _price(entry.price),
        "currency": of.offered.currency,
        "role": str(entry.role),
        "fit": {
            "expected": _rounded(entry.expected, 2),
            "low": _rounded(entry.low, 2),
            "high": _rounded(entry.high, 2),
            "level": min(_rounded(entry.level, 3), SURELY),
        },
        "beats_own_bow": _rounded(entry.beats_own_bow, 3),
        "copies": entry.copies,
        "at_hand": entry.at_hand,
        "best_at_hand": None if entry.best_at_hand is None else _rounded(entry.best_at_hand, 3),
        "mass_g": None if entry.mass_g is None else _rounded(entry.mass_g, 1),
        "materials": shown.materials.get(entry.tier),
        "note": shown.notes.get(entry.tier),
        "reasons": [_reason(reason) for reason in entry.reasons],
        "weaknesses": [_reason(reason) for reason in entry.weaknesses],
    }


def _reason(reason: Reason) -> dict[str, Any]:
    effect = {"against": reason.against, "effect": _rounded(reason.effect, 2)}
    if reason.criterion is None:
        return {"fact": str(reason.fact), **effect}
    return {"criterion": str(reason.criterion), **effect, "sure": reason.sure}


def _own_bow(outlook: Prediction) -> dict[str, Any]:
    rated = "rated" if outlook.own_level_given else "unrated"
    return {"state": "none" if outlook.answers.plays_no_bow else rated, "level": _rounded(outlook.own_level, 2)}


def _trial(proposal: Proposal, place: Place) -> dict[str, Any]:
    case = proposal.case
    return {
        "copies": len(case.bows) if case else 0,
        "runs": proposal.runs,
        "minutes": proposal.minutes,
        "chance_one_beats_own_bow": _rounded(case.row.chance, 3) if case else 0.0,
        "by_copies": [
            {
                "copies": row.copies,
                "bows": row.copies,
                "chance": _rounded(row.chance, 3),
                "expected_gain": _rounded(row.gain, 3),
            }
            for row in (case.rows if case else ())
        ],
        "bring": list(proposal.bring),
        "place": str(place),
        **({"ends": str(proposal.ends)} if proposal.ends else {}),
        "loved": list(proposal.loved),
        "rejected": list(proposal.rejected),
        "apart": [
            {"tier": each.tier, "reading": each.reading, "low": each.low, "high": each.high} for each in proposal.apart
        ],
    }


def _more(of: Considered) -> dict[str, Any] | None:
    more = of.proposal.more
    if more is None:
        return None
    return {
        "amount": _price(more.amount),
        "currency": of.offered.currency,
        "tier": more.tier,
        "name": more.tier and of.now_on_sale.names[more.tier],
        "points": _rounded(more.points, 2),
    }


def _tried(of: Considered) -> list[dict[str, Any]]:
    """Return the bows that this player has rated, each with the mean of its marks."""
    marks: dict[str, list[float]] = {}
    for run in of.runs:
        if run.copy is not None and Criterion.OVERALL in run.ratings:
            marks.setdefault(run.copy, []).append(run.ratings[Criterion.OVERALL])
    tier = {copy: of.view.range.copies[copy].tier for copy in marks}
    return [
        {"copy": copy, "tier": tier[copy], "name": of.now_on_sale.names[tier[copy]], "mark": _rounded(fmean(found), 1)}
        for copy, found in marks.items()
    ]


OF_MARKS = ("player", "known")
"""What a document holds of whoever asked and is known: who it is, and what was known beside the answers."""


def of_marks(marks: Marks) -> dict[str, Any]:
    """Return what a document keeps of a player's marks, so that it can be computed anew; nothing of somebody unknown."""
    if marks.player is None:
        return {}
    sheets = [{"copy": run.copy, "position": run.position, "ratings": _plain(run.ratings)} for run in marks.sheets]
    return {"player": marks.player, "known": {"sheets": sheets, "own": _plain(marks.own)}}


def known_then(stored: Document) -> Marks:
    """Return what was known beside the answers when a document was made."""
    known = stored.get("known") or {"sheets": (), "own": {}}
    sheets = (Run(each["position"], each["copy"], _marks(each["ratings"])) for each in known["sheets"])
    return Marks(sheets=tuple(sheets), own=_marks(known["own"]))


def _plain(ratings: Mapping[Criterion, float]) -> dict[str, float]:
    return {str(criterion): value for criterion, value in ratings.items()}


def _marks(ratings: Mapping[str, float]) -> dict[Criterion, float]:
    return {Criterion(criterion): value for criterion, value in ratings.items()}


def unread(questionnaire: Questionnaire) -> list[Document]:
    """Return the answers given that no part of the advice reads: they serve the adviser who sets the trial up."""
    body = questionnaire.body()
    said = (each.code for each in QUESTIONS if each.asked.adviser and each.value(body) not in _UNSAID)
    return [{"answer": code, "changes": [], "reads": False} for code in said]


_UNSAID = (MISSING, None, BowKind.UNKNOWN)


def influence_document(of: Influence, names: Mapping[str, str]) -> Document:
    """Return what one answer did, as data: tiers by name, bows by how many."""
    return {
        "answer": str(of.answer),
        "changes": [
            {
                "what": str(change.what),
                "with": _shown(change, change.given, names),
                "without": _shown(change, change.without, names),
            }
            for change in of.changes
        ],
        "reads": True,
    }


def _shown(change: Change, value: str | float, names: Mapping[str, str]) -> str | float | int:
    if change.what is AdvicePart.BOWS:
        return int(value)
    return names.get(value, value) if isinstance(value, str) else value


def _notes(of: Considered) -> list[Note]:
    questionnaire, proposal, outlook = of.questionnaire, of.proposal, of.outlook
    notes: list[Note] = []
    if outlook.basis is Basis.PRIOR:
        notes.append(("prior_only", {"trials": outlook.trials}))
        said = {tier.slug for tier in of.view.posterior.design.tiers if tier.character}
        notes += [("by_maker", {})] if any(entry.tier in said for entry in proposal.entries) else []
    elif outlook.trials < FEW_TRIALS:
        notes.append(("few_trials", {"trials": outlook.trials}))
    notes += of.offered.notes
    return notes + _money_notes(of) + _case_notes(of) + _own_notes(questionnaire, outlook, bool(proposal.entries))


def _money_notes(of: Considered) -> list[Note]:
    budget, proposal = of.questionnaire.budget, of.proposal
    if budget is None:
        steps = len(proposal.entries) > 1
        judged = {"judgement": not of.view.posterior.keeping.outcomes}
        return [("no_budget", {}), *([("sensible_price", judged)] if steps else [])]
    values = {"amount": budget.amount, "currency": budget.currency}
    if proposal.over_budget:
        return [("over_budget", values)]
    return [("beyond_budget", values)] if proposal.beyond_budget else _far_below(of, budget.amount)


def _far_below(of: Considered, budget: float) -> list[Note]:
    """Return a note on why what fits best costs no more than half of the budget; none where a dearer one would be liked more."""
    best = next((entry for entry in of.proposal.entries if entry.role is Role.BEST_FIT and entry.copies), None)
    if best is None or any(entry.price > budget / 2 for entry in of.proposal.entries if entry.copies):
        return []
    stock = of.now_on_sale.stock.get(of.questionnaire.dealer or "")
    here = (
        None
        if stock is None
        else {of.view.range.copies[serial].tier for serial in stock if serial in of.view.range.copies}
    )
    liking = {tier.slug: float(mean) for tier, mean in zip(of.outlook.tiers, of.outlook.mean, strict=True)}
    dearer = [
        liking[slug]
        for slug, price in of.offered.prices.items()
        if best.price < price <= budget and slug in liking and (here is None or slug in here)
    ]
    if any(liked > liking[best.tier] + ALIKE for liked in dearer):
        return []
    return [("far_below_budget", {"dearer": bool(dearer), "by_stock": here is not None})]


def _case_notes(of: Considered) -> list[Note]:
    proposal, dealer = of.proposal, of.questionnaire.dealer
    bows = len(proposal.bring)
    notes: list[Note] = []
    if bows and dealer:
        notes.append(("by_stock", {"dealer": of.now_on_sale.dealers[dealer].name}))
    if bows and proposal.missing:
        short = {"count": bows, "missing": proposal.missing}
        notes.append(("one_bow", {}) if bows == 1 else ("few_at_hand", short))
    if proposal.limited_by_time:
        notes.append(("limited_by_time", {"minutes": of.questionnaire.trial.minutes}))
    return notes


def _own_notes(questionnaire: Questionnaire, outlook: Prediction, any_tier: bool) -> list[Note]:
    notes: list[Note] = []
    own = outlook.answers.own_bow
    if any_tier and not outlook.own_level_given:
        notes.append(("unrated_own_bow", {}))
    if own and own.mass_g and outlook.answers.wish_mass:
        notes.append(("own_mass", {"mass_g": own.mass_g}))
    if questionnaire.tried:
        notes.append(("tried_used", {"count": len(questionnaire.tried)}))
    return notes


def _model_notes(view: CataloguePosterior, answers: Answers) -> list[dict[str, Any]]:
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


def as_it_stood_in(fitted: Fitted, stored: Document) -> Fitted:
    """Return a version as one that stood in for another, where it did so when the advice was stored."""
    stood_in = (note["values"]["version"] for note in stored["notes"] if note["code"] in (STANDS_IN, BELIEFS_STAND_IN))
    return replace(fitted, instead_of=next(stood_in, None))

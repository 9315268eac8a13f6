"""Which bows of a dealer's stock to bring to one player, why, and what exactly the chosen ones promise.

The advice is asked with the bows that can be had on the days of the trial; what goes on from there is single bows by name.
"""

import datetime as dt
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, zip_longest
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from model.trial import Ranked, of_named, ranked
from service.advice import advise, words
from service.advice.document import Considered, in_reach
from service.core import formats
from service.core.errors import FieldCode, refuse
from service.core.language import _
from service.core.prepared import prepared
from service.core.scopes import OneDealer
from service.players.known import NO_MARKS, Marks
from service.questionnaire.forms import Questionnaire
from service.tables import Copy, Run
from service.trials import composing_words, ordering, reservations

MOST_LACKING = 5
"""Of so many tiers it is said what is not at hand."""
MOST_SHOWN = 30
"""So many bows are shown to choose from; more are no help."""


@dataclass(frozen=True, slots=True)
class BowChoice:
    """One bow that could be brought.

    ``expected``: the mark this player can be expected to give it; ``low``, ``high``, ``level``: its likely marks, and their chance.
    ``reason``: a sentence on why, or why not.
    ``blocked``: a sentence on why it cannot be had on these days; None where it can.
    """

    copy: str
    tier: str
    tier_name: str
    price: float | None
    currency: str | None
    expected: float
    low: float
    high: float
    level: float
    reason: str
    chosen: bool
    blocked: str | None


@dataclass(frozen=True, slots=True)
class ByCopies:
    """What at most so many bows promise, best case each, from the stock at hand; ``bows``: how many that case holds; ``advised``: it is the advised one."""

    copies: int
    bows: int
    chance: float
    gain: float
    advised: bool


@dataclass(frozen=True, slots=True)
class Proposal:
    """What to bring.

    ``bows``: the chosen first, best first, then the next best of each tier of the shortlist; at most 30.
    ``chance``, ``gain``: that at least one of exactly the chosen is rated above the own bow; points expected to be won; None
        without any.
    ``by_copies``: the best case of 1 to 6 bows from the stock at hand.
    ``runs``, ``minutes``: length of the trial with the chosen bows, without a hidden repeat.
    ``recommended``: the serials that are advised, best first; those that the player liked before come first of all.
    ``lacking``, ``notes``: sentences.
    ``basis``: 'trials', or 'prior' where few trials stand behind it and no percentage is shown.
    ``document``: the advice document, for `service.advice.words`.
    """

    bows: tuple[BowChoice, ...]
    chance: float | None
    gain: float | None
    by_copies: tuple[ByCopies, ...]
    runs: int
    minutes: int
    recommended: tuple[str, ...]
    lacking: tuple[str, ...]
    notes: tuple[str, ...]
    basis: str
    document: Mapping[str, Any]


def propose(
    session: Session,
    dealer: str,
    questionnaire: Questionnaire,
    *,
    chosen: Sequence[str] | None = None,
    on: dt.date | None = None,
    due_back: dt.date | None = None,
    marks: Marks = NO_MARKS,
) -> Proposal:
    """Say which bows of the dealer's stock to bring, and what exactly the ``chosen`` ones promise (None: the recommended).

    ``on``, ``due_back``: the days for which the bows are wanted; by default today, and the same day, or two weeks on by post.
    ``marks``: what is stored of this player's own ratings. What was rated above the own bow comes, as far as budget and time
        allow; what was rated clearly below it, or hopelessly below the best, is not recommended again.

    Raises `InvalidInputError`: a chosen bow that is unknown, another dealer's, or for another instrument or hold; tried
    bows likewise.
    """
    today = dt.datetime.now(dt.UTC).date()
    first = on or today
    place = questionnaire.trial.place
    last = reservations.busy_until(due_back or reservations.usual_due_back(first, place), place)
    shelf = _Shelf.of(session, dealer, first, last, today)
    asked = questionnaire.model_copy(update={"dealer": dealer})
    considered = advise.consider(session, asked, shelf.free, marks)
    suited = set(considered.outlook.stock.serials) & shelf.blocked.keys()
    check_chosen(chosen or (), suited, shelf.blocked.keys())
    recommended = considered.proposal.bring
    case = recommended if chosen is None else tuple(chosen)
    promised = of_named(considered.player, case) if case else None
    minutes = questionnaire.trial.minutes or ordering.USUAL_MINUTES
    runs = len(case) + ordering.own_plays(len(case), minutes, False, considered.questionnaire.plays_no_bow)
    return Proposal(
        bows=_choices(session, considered, _shown(considered, case, suited), frozenset(case), shelf, marks),
        chance=promised.chance if promised else None,
        gain=promised.gain if promised else None,
        by_copies=_steps(considered),
        runs=runs,
        minutes=ordering.minutes_of(runs),
        recommended=recommended,
        lacking=_lacking(considered, shelf),
        notes=(
            *composing_words.of_marks(marks),
            *_differing(considered, case),
            *words.staff_notes(considered.document),
        ),
        basis=considered.document["model"]["basis"],
        document=considered.document,
    )


@dataclass(frozen=True, slots=True)
class _Shelf:
    """A dealer's bows: why each cannot be had on the days of the trial, None where it can; ``risks``: what that rests on."""

    blocked: Mapping[str, str | None]
    risks: Mapping[str, str]

    @property
    def free(self) -> set[str]:
        """The bows that can be had."""
        return {serial for serial, why in self.blocked.items() if why is None}

    @classmethod
    def of(cls, session: Session, dealer: str, first: dt.date, last: dt.date, today: dt.date) -> "_Shelf":
        gone = ("sold", "withdrawn")
        rows = session.execute(select(Copy.serial, Copy.status).where(Copy.dealer == dealer))
        reserved = reservations.of_copies(session, scope=OneDealer(dealer))
        blocked = {
            serial: reservations.why_not(serial, status, reserved.get(serial, ()), first, last, today)
            for serial, status in rows
            if status not in gone
        }
        return cls(blocked, {serial: reservations.risk(reserved[serial], first) for serial in reserved})


def check_chosen(chosen: Sequence[str], suited: Collection[str], here: Collection[str]) -> None:
    """Raise `InvalidInputError` for a bow that the player cannot use, or that is not ``here``."""
    problems = []
    for place, serial in enumerate(chosen):
        if serial not in here:
            sentence, code = _("There is no bow {copy} in your stock; look at its serial again."), FieldCode.NOT_HERE
        elif serial not in suited:
            sentence = _("The bow {copy} is for another instrument or hold; choose one that the player can use.")
            code = FieldCode.CONTRADICTS
        else:
            continue
        problems.append((f"copies.{place}", sentence.format(copy=serial), code))
    refuse(problems)


def _differing(considered: Considered, case: Collection[str]) -> Iterator[str]:
    """Say of two bows of a tier that are recommended, and in the case, what the bench reads differently of them."""
    names, trial = considered.now_on_sale.names, considered.document["trial"]
    for each in considered.proposal.apart:
        if {each.less, each.more} <= set(case):
            bows = formats.listed([each.less, each.more])
            yield formats.labelled(bows, words.difference_words(each.tier, names[each.tier], trial))


def _steps(considered: Considered) -> tuple[ByCopies, ...]:
    """Return the rows of 1, 2, ... bows through the advised case."""
    case = considered.proposal.case
    if case is None:
        return ()
    return tuple(
        ByCopies(row.copies, row.copies, row.chance, row.gain, row.copies == len(case.bows)) for row in case.rows
    )


def _shown(considered: Considered, case: Sequence[str], suited: Collection[str]) -> tuple[str, ...]:
    """Return the chosen, then the next best of the shortlist's tiers in turn, then those of every other tier."""
    order = [bow for bow in _by_liking(considered) if bow in suited and bow not in set(case)]
    tier_of = {serial: copy.tier for serial, copy in considered.now_on_sale.range.copies.items()}
    tiers = [entry["tier"] for entry in considered.document["shortlist"]]
    of_tier = [[bow for bow in order if tier_of[bow] == tier] for tier in tiers]
    in_turn = [bow for bow in chain.from_iterable(zip_longest(*of_tier)) if bow is not None]
    others = [bow for bow in order if tier_of[bow] not in tiers]
    return (*case, *in_turn, *others)[: max(MOST_SHOWN, len(case))]


def _by_liking(considered: Considered) -> list[str]:
    """Return every suited bow, highest expected liking first."""
    outlook = considered.outlook
    liking = outlook.mean[outlook.stock.tier] + outlook.stock.offset
    return [outlook.stock.serials[place] for place in (-liking).argsort(kind="stable").tolist()]


def _choices(
    session: Session, considered: Considered, bows: Sequence[str], case: frozenset[str], shelf: _Shelf, marks: Marks
) -> tuple[BowChoice, ...]:
    found = {bow.serial: bow for bow in ranked(considered.view, considered.outlook, bows, _tried(session, bows))}
    # The chosen by liking, the others as they were put.
    order = [*(serial for serial in found if serial in case), *(bow for bow in bows if bow not in case)]
    told = {tried["copy"]: tried["mark"] for tried in considered.document["tried"]}
    why = {bow: composing_words.reason(found[bow], marks.played.get(bow), told.get(bow)) for bow in order}
    return tuple(_choice(considered, found[bow], case, shelf, why[bow]) for bow in order)


def _choice(considered: Considered, bow: Ranked, case: Collection[str], shelf: _Shelf, reason: str) -> BowChoice:
    on_sale, blocked = considered.now_on_sale, shelf.blocked[bow.serial]
    price, currency = on_sale.prices[considered.questionnaire.dealer].get(bow.tier, (None, None))
    risk = shelf.risks.get(bow.serial) if blocked is None else ""
    costs, said = None if price is None else float(price), " ".join(filter(None, (reason, risk)))
    named, liked = (bow.serial, bow.tier, on_sale.names[bow.tier]), (bow.expected, bow.low, bow.high, bow.level)
    return BowChoice(*named, costs, currency, *liked, said, bow.serial in case, blocked)


def _tried(session: Session, bows: Sequence[str]) -> dict[str, int]:
    """Return in how many trials each bow was rated by a player."""
    return {copy: count for copy, count in session.execute(*_trials_of(bows)) if copy is not None}


@prepared
def _trials_of(bows: Sequence[str]) -> Select[str | None, int]:
    counted = select(Run.copy, func.count(Run.trial.distinct())).where(Run.copy.in_(bows), Run.rater == "player")
    return counted.group_by(Run.copy)


def _lacking(considered: Considered, shelf: _Shelf) -> tuple[str, ...]:
    """Say what is wanted beyond the stock at hand, and of which tiers in reach that are not at hand the workshop has bows."""
    listed = [entry["tier"] for entry in considered.document["shortlist"]]
    tiers = [*dict.fromkeys([*listed, *in_reach(considered)])][:MOST_LACKING]
    suited = shelf.free.intersection(considered.outlook.stock.serials)
    at_hand = {considered.now_on_sale.range.copies[serial].tier for serial in suited}
    workshop_stock = considered.now_on_sale.workshop_by_tier(tiers, considered.questionnaire.hold)
    names = considered.now_on_sale.names
    missing = {entry.tier: considered.proposal.missing for entry in considered.proposal.entries[:1]}
    return tuple(
        composing_words.lacking(names[tier], missing.get(tier, 0), workshop_stock.get(tier, 0))
        for tier in tiers
        if missing.get(tier, 0) or (tier not in at_hand and workshop_stock.get(tier, 0))
    )

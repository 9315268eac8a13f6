"""How a trial stands: what the sheets so far say of each bow, by letter until the key is revealed, and what to do next.

Only the player's own sheets that count enter, and the blind pairs of a head-to-head; a listener's are shown beside. The own bow's ratings in the answers count as long
as it has not been rated in the trial itself.
"""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from sqlalchemy.orm import Session

from model.domain.records import Answers, Run
from model.domain.vocabulary import CRITERIA, Basis, Blinding, Criterion, Place
from model.preference import TRIALS_FOR_A_BASIS, trials_behind
from model.trial import CARRY_COST, BowStatus, Compared, TrialStatus, drift, repeat_difference, trial_status
from service import tables
from service.advice.document import most_paid
from service.core.language import _
from service.modelling import catalogue, versions
from service.modelling.catalogue import Catalogue
from service.questionnaire.forms import check
from service.trials import ordering, paired_comparison, standing_words, trial_record, whole_trial
from service.trials.whole_trial import TrialRecord


@dataclass(frozen=True, slots=True)
class BowStanding:
    """One bow of the trial.

    ``letters``: under which it was played; two where both plays of a hidden repeat are in, or the key is revealed. Empty for
        the own bow.
    ``plays``: how often it was rated. ``mark``: the mean of its overall marks, None while not rated.
    ``expected``, ``low``, ``high``: its posterior liking with an interval of probability .9, within 1 to 7; None while not
        rated.
    ``best``: probability that it is the best of those here; None while not rated.
    ``copy``, ``tier_name``: once revealed.
    ``cannot_tell``: how often a criterion could not be told.
    """

    letters: tuple[str, ...]
    own: bool
    plays: int
    mark: float | None
    expected: float | None
    low: float | None
    high: float | None
    best: float | None
    copy: str | None
    tier_name: str | None
    cannot_tell: int


@dataclass(frozen=True, slots=True)
class Recommendation:
    """What to do next. ``say``: go_on, replay, bring_more, stop; ``text``: in plain words with its reason."""

    say: str
    text: str
    letters: tuple[str, ...]
    tier: str | None
    tier_name: str | None


@dataclass(frozen=True, slots=True)
class ListenerRow:
    """One listener's sheet, by letter: ratings by criterion, 'cannot_tell' where it could not be told."""

    letter: str
    own: bool
    ratings: Mapping[str, int | str]
    note: str | None


@dataclass(frozen=True, slots=True)
class StandingView:
    """How a trial stands.

    ``drift``, ``repeat``: sentences, None while there is nothing to say.
    ``flags``: sentences for staff.
    ``basis``: 'trials', or 'prior' where few trials stand behind the figures and no percentage is shown.
    ``scatter``: by criterion how far a mark lies from another of the same bow by the same player, in points.
    """

    bows: tuple[BowStanding, ...]
    recommendation: Recommendation
    drift: str | None
    repeat: str | None
    listener: tuple[ListenerRow, ...]
    revealed: bool
    sheets_in: int
    sheets_of: int
    flags: tuple[str, ...]
    scatter: Mapping[str, float]
    basis: str = "trials"


def standing(session: Session, dealer: str, key: str) -> StandingView:
    """Return how a trial stands; raises `NotFoundError`."""
    return of_record(session, whole_trial.read(session, dealer, key, is_played=True))


def of_record(session: Session, record: TrialRecord) -> StandingView:
    """Return how a trial stands that was read already; raises `NotFoundError` for one that was read from a file."""
    of = _Trial.of(record)
    judged, letters = _judge(session, of), of.letters()
    marks = repeat_difference(of.first_sitting())
    twice = next((points for copy, points in marks.items() if len(letters.get(copy, ())) > 1), None)
    unfit = _(
        "A bow of this trial is no more in the range for this player; its marks stand, but no figures are worked out."
    )
    return StandingView(
        bows=(*_bows(of, judged, letters), *_unplayed(of)),
        recommendation=_recommendation(judged, letters),
        drift=standing_words.drift(drift(of.first_sitting())),
        repeat=standing_words.repeat(None if twice is None else abs(twice)),
        listener=_listener(of),
        revealed=of.revealed,
        sheets_in=len(of.runs),
        sheets_of=len(of.slots),
        flags=(*trial_record.sheet_flags(of.record), *([unfit] if judged.unfit else [])),
        scatter=judged.scatter,
        basis=str(judged.basis),
    )


@dataclass(frozen=True, slots=True)
class _Trial:
    """What the database knows of a trial, as far as its standing asks.

    ``slots``: position, letter and copy, in order.
    ``runs``: the player's sheets that count and rate; of strokes alone nothing is told, lest two letters are found to be one bow. ``compared``: what the blind pairs say.
    ``cannot_tell``: by copy, how often a criterion could not be told.
    """

    record: TrialRecord
    composition: tables.Composition
    slots: Sequence[tuple[int, str, str | None]]
    runs: Sequence[Run]
    cannot_tell: Mapping[str | None, int]
    compared: Sequence[Compared] = ()

    @classmethod
    def of(cls, record: TrialRecord) -> "_Trial":
        composition = record.composed()
        slots = [(slot.position, slot.letter, slot.copy) for slot in (*record.slots, *record.later)]
        rated = [row for row, _tier in record.runs if row.rater == "player" and _heard(row)]
        cannot: dict[str | None, int] = defaultdict(int)
        for row in rated:
            cannot[row.copy] += len(row.cannot_tell.split())
        pairs = paired_comparison.compared(record.rounds, composition.revealed_at)
        return cls(record, composition, slots, [_run(row) for row in rated], cannot, pairs)

    @property
    def trial(self) -> tables.Trial:
        return self.record.trial

    @property
    def is_on(self) -> bool:
        """Whether there is more to be played."""
        return self.composition.state in ("planned", "open")

    @property
    def revealed(self) -> bool:
        return self.composition.revealed_at is not None

    def remaining(self) -> list[str | None]:
        """Return what the order still holds; nothing once the trial is over."""
        rated = {run.position for run in self.runs}
        return [copy for position, _letter, copy in self.slots if position not in rated] if self.is_on else []

    def letters(self) -> dict[str, tuple[str, ...]]:
        """Return the letters of each copy that were rated, of a revealed trial all."""
        rated = {run.position for run in self.runs}
        found: dict[str, tuple[str, ...]] = {}
        for position, letter, copy in self.slots:
            if copy is not None and (position in rated or self.revealed):
                found[copy] = (*found.get(copy, ()), letter)
        return {copy: tuple(dict.fromkeys(given)) for copy, given in found.items()}

    def first_sitting(self) -> list[Run]:
        """Return what was rated in the first sitting: from one day to another marks move for other reasons."""
        places = {slot.position for slot in self.record.slots}
        return [run for run in self.runs if run.position in places]

    def has_time(self) -> bool:
        """Say whether two more plays fit into the time at hand; at home there is time."""
        from_now = ordering.minutes_of(len(self.runs) + 2)
        return self.is_on and (self.composition.country is not None or from_now <= self.composition.minutes)


def _run(row: tables.Run) -> Run:
    given = {criterion: getattr(row, criterion) for criterion in CRITERIA}
    return Run(row.position, row.copy, {c: float(value) for c, value in given.items() if value is not None})


@dataclass(frozen=True, slots=True)
class _Judged:
    """The model's standing; ``unfit``: bows of the trial that the range knows no more for this player."""

    standing: TrialStatus
    unfit: tuple[str, ...]
    basis: Basis
    names: Mapping[str, str]
    tier_of: Mapping[str, str]
    scatter: Mapping[str, float]


def _judge(session: Session, of: _Trial) -> _Judged:
    now_on_sale = catalogue.current(session, of.record.present)
    view = now_on_sale.view(versions.current(session, of.record.present))
    answers = _answers(of)
    suited = set(view.suited(answers.instrument, answers.hold).serials)
    unfit = {copy for _position, _letter, copy in of.slots if copy is not None and copy not in suited}
    runs = [run for run in of.runs if run.copy not in unfit]
    cost = now_on_sale.dealers[of.composition.dealer].carry_cost
    found = trial_status(
        view,
        answers,
        runs,
        compared=[each for each in of.compared if not unfit & {each.first, each.second}],
        blinding=of.trial.blinding or Blinding.BLIND,
        remaining=[copy for copy in of.remaining() if copy not in unfit],
        prices=_prices(now_on_sale, of),
        can_bring=_at_hand(now_on_sale, of),
        carry_cost=CARRY_COST[Place(of.trial.place or Place.SHOP)] if cost is None else cost,
        can_replay=of.has_time(),
    )
    tier_of = {serial: copy.tier for serial, copy in now_on_sale.range.copies.items()}
    evidence = trials_behind(view.posterior, answers.instrument, answers.hold)
    basis = Basis.TRIALS if evidence >= TRIALS_FOR_A_BASIS else Basis.PRIOR
    scatter = dict(zip(map(str, CRITERIA), view.posterior.repeat_sd.tolist(), strict=True))
    return _Judged(found, tuple(sorted(unfit)), basis, now_on_sale.names, tier_of, scatter)


def _answers(of: _Trial) -> Answers:
    """Return the answers; what they say of the own bow gives way to how it was rated here."""
    answers = check(of.composition.answers).answers()
    if answers.own_bow is None or not any(run.copy is None and run.ratings for run in of.runs):
        return answers
    return replace(answers, own_bow=replace(answers.own_bow, ratings={}))


def _prices(now_on_sale: Catalogue, of: _Trial) -> dict[str, float]:
    """Return the tiers of which the shop has more bows than lie in this trial, within the budget, at its own prices."""
    dealer, questionnaire = of.composition.dealer, check(of.composition.answers)
    budget = questionnaire.budget
    at_hand = _at_hand(now_on_sale, of)
    priced = {tier: price for tier, price in now_on_sale.prices[dealer].items() if tier in at_hand}
    currency = budget.currency if budget else now_on_sale.dealers[dealer].currency
    most = most_paid(budget)
    return {
        tier: float(price)
        for tier, (price, used) in priced.items()
        if used == (currency or used) and (most is None or float(price) <= most)
    }


def _at_hand(now_on_sale: Catalogue, of: _Trial) -> Counter[str]:
    """Return how many bows of each tier the shop has at hand, which those that lie in a trial are not."""
    return Counter(now_on_sale.range.copies[serial].tier for serial in now_on_sale.stock[of.composition.dealer])


# As it is shown


def _bows(of: _Trial, judged: _Judged, letters: Mapping[str, tuple[str, ...]]) -> tuple[BowStanding, ...]:
    """Return the bows that were played, best first, and last those that the range knows no more."""
    known = [_bow(of, judged, each.copy, each, letters) for each in judged.standing.bows]
    unfit = [_bow(of, judged, copy, None, letters) for copy in judged.unfit if any(r.copy == copy for r in of.runs)]
    return (*known, *unfit)


def _bow(
    of: _Trial, judged: _Judged, copy: str | None, figures: BowStatus | None, letters: Mapping[str, tuple[str, ...]]
) -> BowStanding:
    marks = [run.ratings[Criterion.OVERALL] for run in of.runs if run.copy == copy and Criterion.OVERALL in run.ratings]
    tier = judged.tier_of.get(copy) if copy is not None and of.revealed else None
    return BowStanding(
        letters=letters.get(copy, ()) if copy is not None else (),
        own=copy is None,
        plays=sum(run.copy == copy for run in of.runs),
        mark=sum(marks) / len(marks) if marks else None,
        expected=figures.mean if figures else None,
        low=figures.low if figures else None,
        high=figures.high if figures else None,
        best=figures.best if figures else None,
        copy=copy if of.revealed else None,
        tier_name=judged.names[tier] if tier else None,
        cannot_tell=of.cannot_tell.get(copy, 0),
    )


def _unplayed(of: _Trial) -> tuple[BowStanding, ...]:
    """Return a row without figures for each letter that is still to be played, in the order of playing.

    A letter of the hidden repeat stands for itself until it is rated, so that the list does not give it away.
    """
    rated = {run.position for run in of.runs}
    played = {run.copy for run in of.runs}
    heard = {letter for position, letter, _copy in of.slots if position in rated}
    waiting = dict.fromkeys((letter, copy) for position, letter, copy in of.slots if position not in rated)
    empty = BowStanding((), False, 0, None, None, None, None, None, None, None, 0)
    return tuple(
        replace(empty, letters=(letter,), copy=copy if of.revealed else None)
        for letter, copy in waiting
        if copy is not None and letter not in heard and not (of.revealed and copy in played)
    )


def _recommendation(judged: _Judged, letters: Mapping[str, tuple[str, ...]]) -> Recommendation:
    said = judged.standing.recommendation

    def name(copy: str | None) -> str:
        return standing_words.bow(() if copy is None else letters.get(copy, ()))

    tier_name = judged.names.get(said.tier) if said.tier else None
    return Recommendation(
        say=str(said.say),
        text=standing_words.text(said, name, tier_name, figures=judged.basis is Basis.TRIALS),
        letters=tuple(letters[copy][0] for copy in said.bows if copy is not None and copy in letters),
        tier=said.tier,
        tier_name=tier_name,
    )


def _listener(of: _Trial) -> tuple[ListenerRow, ...]:
    letter_at = {position: letter for position, letter, _copy in of.slots}
    rated = (row for row, _tier in of.record.runs if row.rater == "listener")
    return tuple(ListenerRow(letter_at.get(row.position, ""), row.copy is None, _heard(row), row.note) for row in rated)


def _heard(row: tables.Run) -> dict[str, int | str]:
    given: dict[str, int | str] = {name: getattr(row, name) for name in tables.RATED if getattr(row, name) is not None}
    return given | dict.fromkeys(row.cannot_tell.split(), "cannot_tell")

"""What contradicts what in one answer of the API: sentences about an advice that cannot all be true."""

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.advice import recommending, remarks

Reply = Mapping[str, Any]
ROUNDED = 0.0011
"""Figures are given to three digits."""
BEST_ROLES = ("best_fit", "most_liked")
STRETCH = 0.15
OWN_RUNS, MINUTES_A_RUN, MINUTES_BESIDES = 1, 5, 10
CLEARLY_BELOW = 1.0
MOST_BOWS = 6
ADDS_CHANCE, ADDS_GAIN = 0.03, 0.02
"""What adds less of both adds little."""


@dataclass(frozen=True, slots=True)
class Asked:
    """One answer set, its answer, and what there was to choose from.

    Attributes
    ----------
    at_hand : serials that suit at the dealer, None without one.
    tier_of, price : of every serial; of every tier in the currency asked for.
    """

    body: Mapping[str, Any]
    reply: Reply
    at_hand: frozenset[str] | None
    tier_of: Mapping[str, str]
    price: Mapping[str, float]

    @property
    def budget(self) -> float:
        """What may be spent, without a budget as much as one likes."""
        return float(self.body["budget"]["amount"]) if "budget" in self.body else math.inf

    @property
    def limit(self) -> float:
        """The same with the stretch."""
        return self.budget * (1.0 + STRETCH) + 1e-6

    @property
    def entries(self) -> Sequence[Mapping[str, Any]]:
        """The shortlist."""
        found: Sequence[Mapping[str, Any]] = self.reply["shortlist"]
        return found

    @property
    def trial(self) -> Mapping[str, Any]:
        """The trial; empty where there is none."""
        found: Mapping[str, Any] = self.reply["trial"] or {}
        return found

    @property
    def verdict(self) -> Mapping[str, Any]:
        """The verdict; empty where there is none."""
        found: Mapping[str, Any] = self.reply.get("verdict") or {}
        return found

    @property
    def bows(self) -> int:
        """How many are brought."""
        return int(self.trial.get("copies", 0))

    @property
    def own_mark(self) -> float | None:
        """The own bow's mark as a whole; 5 where there is none to play, None where it was not given."""
        own = self.body["own_bow"]
        if own is None:
            return 5.0
        mark = own.get("ratings", {}).get("overall")
        return None if mark is None else float(mark)

    def _tried(self) -> Iterator[tuple[str, float]]:
        for each in self.body.get("tried", ()):
            yield each["copy"], float(each["ratings"]["overall"])

    def loved(self) -> list[str]:
        """Return the bows rated above the own one, at hand and in reach; none where there is no time for all of them."""
        own, here = self.own_mark, self.at_hand or frozenset()
        found = [
            copy
            for copy, mark in self._tried()
            if own is not None
            and mark > own
            and copy in here
            and self.price.get(self.tier_of[copy], math.inf) <= self.limit
        ]
        return found if len(found) <= self._in_time() else []

    def rejected(self) -> list[str]:
        """Return the bows rated clearly below the own one."""
        own = self.own_mark
        return [copy for copy, mark in self._tried() if own is not None and mark <= own - CLEARLY_BELOW]

    def can_be_had(self) -> int:
        """Return how many bows could be brought: at hand, in reach, not rejected, at most one of them beyond the budget, in time."""
        return min(len(self._within()) + bool(self._beyond()), self._in_time())

    def at_hand_in_reach(self) -> int:
        """Return how many bows would suit and are at hand, whatever a case may hold of them."""
        return len(self._within()) + len(self._beyond())

    def tiers_to_be_had(self) -> int:
        """Return of how many tiers."""
        tiers = {self._tier(each) for each in self._within()}
        more = {self._tier(each) for each in self._beyond()} - tiers
        return min(len(tiers) + bool(more), self._in_time())

    def tiers_in_reach(self) -> int:
        """Return how many tiers suit, can be had and are in reach, whatever time there is."""
        return len({self._tier(each) for each in (*self._within(), *self._beyond())})

    def _tier(self, each: str) -> str:
        return self.tier_of.get(each, each)

    def _priced(self) -> list[str]:
        """Return serials at hand, or without a dealer three nameless bows a tier."""
        if self.at_hand is None:
            return [tier for tier in self.price for _ in range(3)]
        rejected = set(self.rejected())
        return [copy for copy in self.at_hand if copy not in rejected and self.tier_of[copy] in self.price]

    def _within(self) -> list[str]:
        return [each for each in self._priced() if self.price[self._tier(each)] <= self.budget]

    def _beyond(self) -> list[str]:
        return [each for each in self._priced() if self.budget < self.price[self._tier(each)] <= self.limit]

    def _in_time(self) -> int:
        minutes = self.body["trial"].get("minutes")
        return 99 if minutes is None else max(1, int((minutes - MINUTES_BESIDES) // MINUTES_A_RUN) - OWN_RUNS)


def contradictions(asked: Asked) -> list[str]:
    """Return what contradicts what, each kind by its name."""
    if not asked.entries:
        return [] if not asked.bows else ["bows without a list"]
    found = [*_of_the_verdict(asked), *_of_roles(asked), *_of_money(asked), *_of_stock(asked), *_of_rows(asked)]
    return [*found, *_of_words(asked)]


def _when(**holds: bool) -> Iterator[str]:
    yield from (name.replace("_", " ") for name, wrong in holds.items() if wrong)


def _of_the_verdict(asked: Asked) -> Iterator[str]:
    verdict, trial = asked.verdict, asked.trial
    if not verdict:
        return
    code, chance = verdict["code"], verdict["chance"]
    expected = "ask" if not asked.bows else _code(chance, asked.body["own_bow"] is None)
    row = next((row for row in trial["by_copies"] if row["copies"] == asked.bows), None)
    yield from _when(
        verdict_against_chance=code not in (expected, _code(chance + ROUNDED, False), _code(chance - ROUNDED, False))
        if asked.bows
        else code != "ask",
        verdict_against_gain=row is not None and abs(row["expected_gain"] - verdict["expected_gain"]) > ROUNDED,
        noticeably_better_likelier_than_better=bool(asked.bows)
        and chance > trial["chance_one_beats_own_bow"] + ROUNDED,
        verdict_without_words=not verdict.get("text", "").strip(),
    )


def _code(chance: float, no_own: bool) -> str:
    return "trial" if chance >= 0.5 else "curious" if chance >= 0.2 or no_own else "keep"


def _of_roles(asked: Asked) -> Iterator[str]:
    roles = [entry["role"] for entry in asked.entries]
    copies = [entry["copies"] for entry in asked.entries]
    brought = {asked.tier_of[copy] for copy in asked.trial.get("bring", ())}
    by_role = {entry["role"]: entry for entry in asked.entries}
    best = next((by_role[role] for role in BEST_ROLES if role in by_role), None)
    counts = {role: roles.count(role) for role in roles}
    steps = [by_role[role]["price"] for role in ("entry", "sensible", "most_liked") if role in by_role]
    yield from _when(
        a_step_dearer_than_a_higher_one=steps != sorted(steps),
        a_role_twice=any(count > (2 if role == "contrast" else 1) for role, count in counts.items()),
        a_tier_twice=len({entry["tier"] for entry in asked.entries}) < len(asked.entries),
        more_than_three_tiers=len(roles) > 3,
        no_best=best is None,
        best_without_a_bow=bool(asked.bows) and best is not None and not best["copies"],
        bows_that_add_up_to_another_number=sum(copies) != asked.bows,
        a_tier_brought_and_not_listed=not brought <= {entry["tier"] for entry in asked.entries},
        ladder_with_a_budget="budget" in asked.body
        and any(role in roles for role in ("entry", "sensible", "most_liked")),
        value_dearer_than_fit="best_value" in by_role
        and best is not None
        and by_role["best_value"]["price"] >= best["price"],
        step_up_cheaper_than_fit="step_up" in by_role
        and best is not None
        and by_role["step_up"]["price"] <= best["price"],
    )


def _of_money(asked: Asked) -> Iterator[str]:
    if "budget" not in asked.body:
        return
    within = any(asked.price[tier] <= asked.budget for tier in _tiers_there(asked))
    dear = [entry for entry in asked.entries if entry["copies"] and entry["price"] > asked.budget]
    fit = next((entry for entry in asked.entries if entry["role"] == "best_fit"), None)
    yield from _when(
        brought_beyond_the_stretch=any(entry["price"] > asked.limit for entry in dear),
        two_bows_beyond_the_budget=within and sum(entry["copies"] for entry in dear) > 1,
        best_fit_beyond_the_budget=within and bool(asked.bows) and fit is not None and fit["price"] > asked.budget,
        another_price=any(abs(entry["price"] - asked.price[entry["tier"]]) > 0.01 for entry in asked.entries),
    )


def _tiers_there(asked: Asked) -> set[str]:
    if asked.at_hand is None:
        return set(asked.price)
    return {asked.tier_of[copy] for copy in asked.at_hand if asked.tier_of[copy] in asked.price} - _all_rejected(asked)


def _all_rejected(asked: Asked) -> set[str]:
    """Return the tiers of which every bow at hand was rejected."""
    rejected, here = set(asked.rejected()), asked.at_hand or frozenset()
    tiers = {asked.tier_of[copy] for copy in here}
    return {tier for tier in tiers if all(copy in rejected for copy in here if asked.tier_of[copy] == tier)}


def _of_stock(asked: Asked) -> Iterator[str]:
    bring = list(asked.trial.get("bring", ()))
    if asked.at_hand is None:
        yield from _when(serials_without_a_dealer=bool(bring))
        return
    counts = {entry["tier"]: entry["copies"] for entry in asked.entries}
    brought = {tier: sum(asked.tier_of[copy] == tier for copy in bring) for tier in counts}
    yield from _when(
        brought_and_not_at_hand=not asked.at_hand.issuperset(bring),
        brought_twice=len(set(bring)) < len(bring),
        other_bows_than_counted=brought != counts,
        rejected_and_brought=bool(set(asked.rejected()) & set(bring)),
    )


def _of_rows(asked: Asked) -> Iterator[str]:
    rows, minutes = asked.trial.get("by_copies", ()), asked.body["trial"].get("minutes")
    here = [row for row in rows if row["copies"] == asked.bows]
    yield from _when(
        rows_out_of_order=[row["copies"] for row in rows] != list(range(1, len(rows) + 1)),
        no_row_for_the_case=bool(asked.bows) and len(here) != 1,
        another_chance_in_the_row=len(here) == 1 and here[0]["chance"] != asked.trial["chance_one_beats_own_bow"],
        more_than_six_bows=asked.bows > MOST_BOWS,
        longer_than_there_is_time=minutes is not None and asked.bows > 1 and asked.trial["minutes"] > minutes,
        a_model_likelier_than_the_case_and_no_word_of_its_bows=any(
            entry["copies"]
            and entry["beats_own_bow"] > asked.trial["chance_one_beats_own_bow"] + ROUNDED
            and entry["best_at_hand"] is None
            for entry in asked.entries
        ),
        figures_that_are_none=any(not math.isfinite(value) for value in _numbers(asked.reply)),
    )


def falls(reply: Reply) -> bool:
    """Say whether more bows promise less somewhere, or less than nothing."""
    rows = (reply["trial"] or {}).get("by_copies", ())
    return any(
        row[name] < max(0.0, before) - 1e-9
        for name in ("chance", "expected_gain")
        for before, row in zip([0.0, *(row[name] for row in rows)], rows, strict=False)
    )


def _numbers(value: Any) -> Iterator[float]:
    if isinstance(value, Mapping):
        for each in value.values():
            yield from _numbers(each)
    elif isinstance(value, list | tuple):
        for each in value:
            yield from _numbers(each)
    elif isinstance(value, float):
        yield value


PERCENT = re.compile(r"(\d+)\s?%")


def _of_words(asked: Asked) -> Iterator[str]:
    """Chances told in words must be among those in figures; while the beliefs advise no percentage is told at all."""
    told = [int(found) for text in _texts(asked) for found in PERCENT.findall(text)]
    rows = asked.trial.get("by_copies", ())
    chances = [row["chance"] for row in rows] + [entry["beats_own_bow"] for entry in asked.entries]
    chances += [asked.verdict.get("chance", 0.0), asked.trial.get("chance_one_beats_own_bow", 0.0)]
    known = {round(100 * chance) + by for chance in chances for by in (-1, 0, 1)}
    basis = asked.reply["model"]["basis"]
    yield from _when(
        a_percentage_that_is_no_chance=not set(told) <= known and basis != "prior",
        a_percentage_from_beliefs=bool(told) and basis == "prior",
        adds_little_that_adds_much=_little_is_said_of_much(asked),
        no_more_bows_though_there_are=asked.at_hand is not None
        and recommending.NO_MORE in asked.trial.get("recommendation", "")
        and asked.at_hand_in_reach() > asked.bows,
        fewer_can_be_had_than_are_at_hand=asked.at_hand is not None
        and any(count < asked.at_hand_in_reach() for count in _said_to_be_had(asked)),
    )


def _little_is_said_of_much(asked: Asked) -> bool:
    """Say whether a further bow is told to add little where there is none to add, or where it adds more than that."""
    told = [place for place, said in enumerate(recommending.LITTLE) if said in asked.trial.get("recommendation", "")]
    rows = {row["copies"]: row for row in asked.trial.get("by_copies", ())}
    return any(not _adds_little(rows.get(place), rows.get(place + 1)) or place != asked.bows for place in told)


def _adds_little(before: Mapping[str, Any] | None, after: Mapping[str, Any] | None) -> bool:
    if before is None or after is None:
        return False
    chance, gain = (after[name] - before[name] for name in ("chance", "expected_gain"))
    return bool(chance < ADDS_CHANCE and gain < ADDS_GAIN)


def _said_to_be_had(asked: Asked) -> Iterator[int]:
    """Give the numbers of bows that the notes say can be had, and no more."""
    notes = asked.reply["notes"]
    if remarks.sentence("one_bow", {}, {}).split(",")[0] in " ".join(notes):
        yield 1
    for count in range(1, MOST_BOWS):
        only = remarks.sentence("few_at_hand", {"count": count, "missing": 1}, {}).split(";")[0]
        if any(note.startswith(only) for note in notes):
            yield count


def _texts(asked: Asked) -> Iterator[str]:
    yield asked.verdict.get("text", "")
    yield asked.trial.get("recommendation", "")
    for entry in asked.entries:
        yield from (reason.get("text", "") for kind in ("reasons", "weaknesses") for reason in entry.get(kind, ()))

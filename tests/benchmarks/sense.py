"""Whether the advice makes sense: a grid of answer sets on the demo's dealers, looked at as a practitioner would."""

import argparse
import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
from sqlalchemy.orm import Session

from model.evaluation import reliability
from model.evaluation.metrics import ClusteredMean
from model.evaluation.reliability import Forecasts
from model.preference.chances import NO_RECALIBRATION, reported_slope
from model.preference.model import PreferenceModel
from model.preference.serialization import to_bytes
from model.trial import Offer
from model.trial.influence import influence
from seed_data.make import draw
from seed_data.nature import DEMO, PRICE_SAYS_LITTLE, Nature
from service.advice import advise
from service.advice.document import Considered
from service.advice.words import reply
from service.core.database import Database
from service.modelling import catalogue, model_records, versions
from service.modelling.catalogue import Catalogue
from service.questionnaire.forms import check
from service.tables import ModelVersion
from tests.benchmarks._demo import Demo, demo_settings, opened, read_demo, world_settings
from tests.benchmarks._figures import table
from tests.benchmarks._sense_checks import Asked, contradictions, falls
from tests.benchmarks._sense_sets import DEARER, REPEATED, SETTING, Body, Pair, bodies, raised_marks, small_changes
from tests.benchmarks._sense_truth import CASE, Truths, truths

SEED = 20261130
MOVED = 0.1
"""A tier may leave the list where what it gains beside the tier that takes its place moved by so many points."""
RISES = 0.0011
"""Chances are given to three digits."""


@dataclass(frozen=True, slots=True)
class Size:
    """How many answer sets, pairs that differ a little, pairs with a better own bow, and sets whose answers are left out in turn."""

    sets: int
    small: int
    raised: int
    explained: int
    folds: int | None


WHOLE, QUICK = Size(900, 300, 500, 150, None), Size(60, 20, 24, 6, 1)


@dataclass
class Seen:
    """What was found of all answer sets."""

    asked: list[Asked] = field(default_factory=list)
    contradictions: Counter[str] = field(default_factory=Counter)
    examples: dict[str, Body] = field(default_factory=dict)


def main(argv: Sequence[str]) -> int:
    """Fit the model to the demo data, ask it for advice, and print what a practitioner would look at first."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks sense", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a small grid, to see that it runs")
    parser.add_argument(
        "--worlds", type=int, nargs="*", default=(), metavar="SEED", help="draw these worlds too, of both kinds"
    )
    parser.add_argument("--examples", action="store_true", help="print an answer set for every kind of contradiction")
    asked = parser.parse_args(argv)
    size = QUICK if asked.quick else WHOLE
    print("python -m tests.benchmarks sense")
    with demo_settings() as settings, opened(settings) as database:
        fit_to_all(database)
        demo = read_demo(database)
        with database.reading() as session:
            for part in report(session, demo, size, examples=asked.examples):
                print(part, flush=True)
    for seed in asked.worlds:
        for nature in (DEMO, PRICE_SAYS_LITTLE):
            print(of_world(seed, nature), flush=True)
    return 0


def fit_to_all(database: Database) -> None:
    """Put a version in use that was fitted to all trials; what its check-up would say is asked of folds below."""
    with database.reading() as session:
        range_, trials = model_records.read_range(session), model_records.read_trials(session)
        model = PreferenceModel(range_).fit(
            trials,
            model_records.read_events(session),
            model_records.read_outcomes(session),
            model_records.read_offers(session),
        )
        digest = model_records.digest(session)
    with database.writing() as session:
        row = ModelVersion(
            fitted_at=dt.datetime(2026, 11, 1, tzinfo=dt.UTC),
            adopted=False,
            data_digest=digest,
            code_version=versions.code_version(),
            report={"trials": len(trials)},
            artifact=to_bytes(model.posterior_),
        )
        session.add(row)
        session.flush()
        versions.adopt(session, row.id)


def report(session: Session, demo: Demo, size: Size, *, examples: bool = False) -> Iterator[str]:
    """Give the parts of what is printed."""
    now = catalogue.current(session)
    sets, asking = list(bodies(now, size.sets, SEED)), partial(ask, session, now)
    seen = Seen()
    for body in sets:
        _look(seen, asking(body)[0])
    yield from _of_sets(seen)
    yield _of_small_changes(asking, list(small_changes(sets, SEED + 1))[: size.small * 3])
    yield _of_raised_marks(asking, list(raised_marks(sets, SEED + 2))[: size.raised])
    yield _of_influence(asking, now, sets[: size.explained])
    yield _of_truth(truths(demo, draw(), size.folds))
    if examples:
        yield "\n".join(f"{name}: {body}" for name, body in sorted(seen.examples.items()))


def ask(session: Session, now: Catalogue, body: Body) -> tuple[Asked, Considered]:
    """Return the API's answer with what there was to choose from, and what it was made from."""
    considered = advise.consider(session, check(body))
    suited = considered.view.suited(considered.outlook.answers.instrument, considered.outlook.answers.hold)
    hand = now.stock.get(body.get("dealer", ""))
    return (
        Asked(
            body=body,
            reply=reply(considered.document, operator=True),
            at_hand=None if hand is None else frozenset(hand & set(suited.serials)),
            tier_of={copy.serial: copy.tier for copy in suited.copies},
            price=considered.offered.prices,
        ),
        considered,
    )


def _look(seen: Seen, asked: Asked) -> None:
    seen.asked.append(asked)
    for name in contradictions(asked):
        seen.contradictions[name] += 1
        seen.examples.setdefault(name, dict(asked.body))


# All answer sets


def _of_sets(seen: Seen) -> Iterator[str]:
    asked = seen.asked
    dealers = len({each.body.get("dealer") for each in asked} - {None})
    yield f"\n{len(asked)} answer sets at {dealers} dealers, one in ten without one; a model fitted to all trials.\n"
    yield "\n".join(
        (
            _counted("verdicts", Counter(each.verdict.get("code", "absent") for each in asked)),
            _counted("entries in the list", Counter(str(len(each.entries)) for each in asked)),
            _counted("bows advised", Counter(str(each.bows) for each in asked)),
            _counted("roles", Counter(entry["role"] for each in asked for entry in each.entries)),
        )
    )
    yield "\n" + table(("", "share", "of"), _shares(asked))
    total = sum(seen.contradictions.values())
    kinds = "; ".join(f"{name} ({count})" for name, count in seen.contradictions.most_common()) or "none"
    yield f"\nContradictions: {total} ({kinds}).\nSets in whose rows more bows promise less: {sum(falls(each.reply) for each in asked)}."
    loved = [copy in each.trial.get("bring", ()) for each in asked for copy in each.loved()]
    rejected = [copy in each.trial.get("bring", ()) for each in asked for copy in each.rejected()]
    yield (
        f"Bows rated above the own one, at hand and in reach: {sum(loved)} of {len(loved)} brought. "
        f"Rated clearly below it: {sum(rejected)} of {len(rejected)} brought."
    )
    brought = [each.bows for each in asked if each.bows]
    yield f"Bows carried, where any are: {np.mean(brought):.2f}."


def _counted(name: str, counts: Mapping[str, int]) -> str:
    total = sum(counts.values())
    return f"{name}: " + ", ".join(f"{key} {count} ({count / total:.0%})" for key, count in sorted(counts.items()))


def _shares(asked: Sequence[Asked]) -> Iterator[tuple[str, ...]]:
    advised = [each for each in asked if each.verdict.get("code", "trial") in ("trial", "curious")]
    two = [each for each in advised if each.can_be_had() >= 2]
    three = [each for each in advised if each.can_be_had() >= 3]
    tiers = [each for each in asked if each.tiers_in_reach() >= 2]
    carried = [each for each in advised if each.tiers_to_be_had() >= 2]
    entries = [entry for each in asked for entry in each.entries]
    rows = (
        ("a verdict", [bool(each.verdict) for each in asked]),
        ("one bow, where two can be had", [each.bows == 1 for each in two]),
        ("three bows or more, where three can be had", [each.bows >= 3 for each in three]),
        ("two tiers listed, where two are in reach", [len(each.entries) >= 2 for each in tiers]),
        ("bows of two tiers, where two can be brought", [_tiers_brought(each) >= 2 for each in carried]),
        ("entries without a reason", [not entry.get("reasons") for entry in entries]),
        (
            "entries without reason or weakness",
            [not entry.get("reasons") and not entry.get("weaknesses") for entry in entries],
        ),
        (
            "entries with a reason on a criterion",
            [any("criterion" in each for each in entry["reasons"]) for entry in entries],
        ),
        ("the same reasons as another entry", [bool(_alike(each)) for each in asked if len(each.entries) > 1]),
        ("entries with roles unfilled by bows", [not entry["copies"] for entry in entries]),
    )
    for name, values in rows:
        yield name, f"{np.mean(values):.1%}" if values else "-", str(len(values))


def _tiers_brought(asked: Asked) -> int:
    return sum(entry["copies"] > 0 for entry in asked.entries)


def _alike(asked: Asked) -> bool:
    texts = [tuple(reason.get("text", "") for reason in entry.get("reasons", ())) for entry in asked.entries]
    return len(set(texts)) < len(texts)


# Pairs


def _of_small_changes(asking: Any, pairs: Sequence[Pair]) -> str:
    left: dict[str, list[bool]] = defaultdict(list)
    for pair in pairs:
        (one, first), (other, second) = asking(pair.one), asking(pair.other)
        left[pair.what].append(_leaves(one, first, other, second))
    rows = [
        (what, f"{np.mean(left[what]):.1%}", str(len(left[what]))) for what in (SETTING, REPEATED, DEARER) if left[what]
    ]
    every = [each for of in left.values() for each in of]
    rows.append(("all of them", f"{np.mean(every):.1%}" if every else "-", str(len(every))))
    head = (f"A tier leaves whose gain moved by < {MOVED}", "share", "pairs")
    return "\n" + table(head, rows)


def _leaves(one: Asked, first: Considered, other: Asked, second: Considered) -> bool:
    """Say whether a listed tier leaves that is expected to be liked about as much as before, beside what takes its place."""
    gone = [entry["tier"] for entry in one.entries]
    come = [entry["tier"] for entry in other.entries]
    left, new = [tier for tier in gone if tier not in come], [tier for tier in come if tier not in gone]
    if not left:
        return False
    told = [_expected(each) for each in (first, second)]
    for tier in left:
        moves = [abs((told[0][tier] - told[0][by]) - (told[1][tier] - told[1][by])) for by in new]
        if not moves or min(moves) < MOVED:
            return True
    return False


def _expected(considered: Considered) -> dict[str, float]:
    outlook = considered.outlook
    return {tier.slug: float(mean) for tier, mean in zip(outlook.tiers, outlook.mean, strict=True)}


def _of_raised_marks(asking: Any, pairs: Sequence[Pair]) -> str:
    rows: dict[str, Counter[str]] = defaultdict(Counter)
    for pair in pairs:
        low, high = asking(pair.one)[0], asking(pair.other)[0]
        count = rows[pair.what]
        count["pairs"] += 1
        after = {entry["tier"]: entry["beats_own_bow"] for entry in high.entries}
        both = [entry for entry in low.entries if entry["tier"] in after]
        count["tiers"] += any(after[entry["tier"]] > entry["beats_own_bow"] + RISES for entry in both)
        same = low.trial.get("bring") == high.trial.get("bring") and bool(low.bows)
        count["same case"] += same
        chance = "chance_one_beats_own_bow"
        count["case"] += same and high.trial[chance] > low.trial[chance] + RISES
        count["verdict"] += high.verdict.get("chance", 0.0) > low.verdict.get("chance", 0.0) + RISES
        count["verdict of the case"] += (
            same and high.verdict.get("chance", 0.0) > low.verdict.get("chance", 0.0) + RISES
        )
    head = (
        "A better mark of the own bow raises",
        "pairs",
        "a tier's chance",
        "the same case's",
        "its verdict's",
        "any verdict's",
    )
    return "\n" + table(
        head,
        (
            (what, *(str(count[name]) for name in ("pairs", "tiers", "case", "verdict of the case", "verdict")))
            for what, count in sorted(rows.items())
        ),
    )


# What answers do


def _of_influence(asking: Any, now: Catalogue, sets: Sequence[Body]) -> str:
    found: dict[str, Counter[str]] = defaultdict(Counter)
    for body in sets:
        considered = asking(body)[1]
        runs = considered.runs
        for each in influence(considered.view, considered.outlook.answers, runs, _offer(considered, now, body)):
            changed = {str(change.what) for change in each.changes}
            found[str(each.answer)].update({"given", *changed} | ({"any"} if changed else set()))
    columns = ("any", "verdict", "first_tier", "bows", "chance")
    head = ("Without the answer another …", "given", *columns)
    rows = [
        (name, str(count["given"]), *(f"{count[column] / count['given']:.0%}" for column in columns))
        for name, count in sorted(found.items())
    ]
    return "\n" + table(head, rows)


def _offer(considered: Considered, now: Catalogue, body: Body) -> Offer:
    budget, wish = body.get("budget"), considered.questionnaire.trial
    return Offer(
        prices=considered.offered.prices,
        budget=budget and budget["amount"],
        minutes=wish.minutes,
        place=wish.place,
        at_hand=now.stock.get(body.get("dealer", "")),
    )


# Against the truth


def _of_truth(found: Truths) -> str:
    lines = [
        "",
        "Players held out of the fit, at their dealers, beside what they truly like in the invented world:",
        f"{len(found.brought)} cases of {np.mean([each.bows for each in found.brought]):.2f} bows on average; the truly best bow of the",
        f"case wins {_share(found)} of what the truly best affordable bow at the dealer would.",
        f"The check-up's recalibration on the same folds: slope {found.slope:.2f} on the logit (1: none is used).",
    ]
    for name, slope in (("as the law has them", NO_RECALIBRATION), ("as they are told", reported_slope(found.slope))):
        told = {kind: given.mapped(slope) for kind, given in found.told.items()}
        lines += [
            "",
            f"Chances {name}: {_tested(told)}. By bins: told / true (how many; standard errors apart).",
            _bins(told),
        ]
    return "\n".join(lines)


def of_world(seed: int, nature: Nature) -> str:
    """Return a line on a world drawn anew: what cases win there, and whether chances as told come true."""
    drawn = draw(seed, nature)
    with world_settings(drawn) as settings, opened(settings) as database:
        found = truths(read_demo(database), drawn)
    told = {kind: given.mapped(reported_slope(found.slope)) for kind, given in found.told.items()}
    furthest = max((_apart(given, each) for given in told.values() for each in _of(given)), key=abs)
    bows = np.mean([each.bows for each in found.brought])
    kind = "price says little" if nature is PRICE_SAYS_LITTLE else "like the demo's"
    return (
        f"{seed}, {kind}: cases of {bows:.2f} bows win {_share(found)}; chances {_tested(told)}, furthest bin {furthest:+.1f} "
        f"standard errors; Brier of the case {reliability.brier(told[CASE]).mean:.4f}."
    )


def _tested(told: Mapping[str, Forecasts]) -> str:
    test = reliability.goodness([given for given in told.values() if len(given.told)])
    return f"chi-square {test.statistic:.1f} over {test.bins} bins, p {test.p:.4f}" if test else "too few to test"


def _share(found: Truths) -> str:
    won, could = (np.array([getattr(each, name) for each in found.brought]) for name in ("won", "could"))
    share = won.sum() / max(could.sum(), 1e-9)
    return f"{share:.3f} ± {ClusteredMean.of((won - share * could) / max(could.mean(), 1e-9)).error:.3f}"


def _bins(told: Mapping[str, Forecasts]) -> str:
    cells: dict[str, dict[float, str]] = {}
    for kind, given in told.items():
        cells[f"{kind} (Brier {reliability.brier(given).mean:.4f})"] = {
            each.low: f"{each.told:.2f}/{each.won.mean:.2f} ({each.count}; {_apart(given, each):+.1f})"
            for each in _of(given)
        }
    lows = sorted({low for of in cells.values() for low in of})
    rows = [(kind, *(of.get(low, "") for low in lows)) for kind, of in cells.items()]
    return table(("", *(f"{low:.1f} –" for low in lows)), rows)


def _of(given: Forecasts) -> tuple[reliability.Bin, ...]:
    return reliability.bins(given, joined=True) if len(given.told) else ()


def _apart(given: Forecasts, of: reliability.Bin) -> float:
    """Return by how many standard errors what came is apart from what was told: the error found, or that of right chances if larger."""
    right = np.sqrt(reliability.spread_if_right(given) * of.told * (1.0 - of.told) / of.count)
    return float((of.won.mean - of.told) / max(of.won.error, right))

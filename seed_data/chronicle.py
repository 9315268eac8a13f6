"""Three years of trials, one after the other: who came, what was brought, what was marked, what was kept.

The trials run in order of date because a bow that was kept is in no later trial: the stock is what the past left.
"""

from dataclasses import dataclass, field

import numpy as np

from seed_data.bows import LAST_DAY, NEVER, Bows, Repairs
from seed_data.catalogue import DEALERS, TIERS, BoolArray, FloatArray, IntArray, price_at
from seed_data.liking import BASE, BELOW, Points
from seed_data.nature import Nature
from seed_data.outcomes import Decision, Felt, decide
from seed_data.people import COUNT as PLAYERS
from seed_data.people import People
from seed_data.sheets import Sheet, mark

COUNT = 600
LATEST_TRIAL = LAST_DAY - 30
OWN = -1


@dataclass(frozen=True)
class Visit:
    """One trial before anything is chosen for it. `last` marks the player's final visit."""

    player: int
    day: int
    last: bool


@dataclass(frozen=True)
class Trial:
    """One trial as it happened: the bows in order (`OWN` for the own bow), their sheets, the decision."""

    key: str
    player: int
    day: int
    place: str
    blinding: str
    instrument_used: str
    bows: IntArray
    sheets: list[Sheet]
    decision: Decision


@dataclass
class Stock:
    """Which copies are where: sold for good from a day, away with a player until a day; shape (K,) each."""

    bows: Bows
    sold: IntArray
    away: IntArray
    tried: set[tuple[int, int]] = field(default_factory=set)

    def to_show(self, day: int) -> BoolArray:
        """Say which copies can be shown somewhere on a day, shape (K,)."""
        return (self.bows.enters <= day) & (self.sold > day) & (self.away <= day)


@dataclass(frozen=True)
class World:
    """What never changes while the trials run."""

    people: People
    bows: Bows
    repairs: Repairs
    points: Points
    nature: Nature


def run(rng: np.random.Generator, world: World) -> tuple[list[Trial], Stock]:
    """Let all the trials happen; the stock as it is at the end comes back too."""
    size = len(world.bows.serial)
    stock = Stock(world.bows, np.full(size, NEVER), np.zeros(size, dtype=np.int64))
    visits = draw_visits(rng)
    return [_one(rng, world, stock, visit, f"T{k + 1:04d}") for k, visit in enumerate(visits)], stock


def draw_visits(rng: np.random.Generator) -> list[Visit]:
    """Dates of all visits, in order; some players come twice or three times."""
    again = np.ones(PLAYERS, dtype=np.int64)
    spare = COUNT - PLAYERS
    third = spare // 10
    back = rng.choice(PLAYERS, spare - third, replace=False)
    again[back] = 2
    again[back[:third]] = 3
    first = np.floor(rng.random(PLAYERS) * (LATEST_TRIAL - 100 * (again - 1))).astype(np.int64)
    gaps = rng.integers(12, 95, (PLAYERS, 2))
    days = first[:, None] + np.column_stack([np.zeros(PLAYERS, dtype=np.int64), gaps.cumsum(axis=1)])
    visits = [Visit(i, int(days[i, v]), bool(v + 1 == again[i])) for i in range(PLAYERS) for v in range(again[i])]
    return sorted(visits, key=lambda visit: (visit.day, visit.player))


def _one(rng: np.random.Generator, world: World, stock: Stock, visit: Visit, key: str) -> Trial:
    """One trial from the choice of bows to the decision; the stock is brought up to date."""
    place = "post" if rng.random() < 0.2 else "shop"
    blinding = str(rng.choice(["blind", "masked", "open"], p=[0.5, 0.3, 0.2] if place == "shop" else [0.0, 0.7, 0.3]))
    house = place == "shop" and rng.random() < 0.09
    chosen = _choose(rng, world.people, stock, visit)
    bows = _order(rng, chosen)
    felt = _felt(rng, world, visit, bows, blinding, house=house)
    sheets = mark(rng, world.people, visit.player, felt, in_shop=place == "shop")
    dealer = int(world.people.dealer[visit.player])
    decision = decide(rng, world.people, visit.player, _mean_felt(felt, bows, world.bows, dealer), last=visit.last)
    _put_back(stock, visit, bows, decision, place)
    used = "house" if house else "own"
    return Trial(key, visit.player, visit.day, place, blinding, used, bows, sheets, decision)


def _choose(rng: np.random.Generator, people: People, stock: Stock, visit: Visit) -> IntArray:
    """Three to five copies by the dealer's habits, from what is at hand and mostly within the budget."""
    i, bows = visit.player, stock.bows
    at_hand = _at_hand(rng, people, stock, visit)
    number = int(rng.choice([3, 4, 5], p=[0.58, 0.29, 0.13]))
    prices = np.array([price_at(DEALERS[people.dealer[i]], TIERS[bows.tier[k]]) for k in at_hand])
    affordable = prices <= 1.15 * np.nan_to_num(people.budget[i], nan=np.inf)
    keen = _habit(rng, people, bows, at_hand, i) - 6.0 * (~affordable & (rng.random(at_hand.size) < 0.9))
    return at_hand[np.argsort(-keen, kind="stable")[:number]]


def _at_hand(rng: np.random.Generator, people: People, stock: Stock, visit: Visit) -> IntArray:
    """Find the copies that fit and are at the dealer; where they are fewer than five, others are sent over for the day."""
    i, bows = visit.player, stock.bows
    fits = (bows.instrument == people.instrument[i]) & (np.array(bows.hold) == people.hold[i])
    fresh = np.array([(i, k) not in stock.tried for k in range(fits.size)])
    fits &= stock.to_show(visit.day) & (fresh | (rng.random(fits.size) < 0.15))
    here = np.flatnonzero(fits & (bows.place(visit.day) == people.dealer[i]))
    return here if here.size >= 5 else np.flatnonzero(fits)


def _habit(rng: np.random.Generator, people: People, bows: Bows, at_hand: IntArray, player: int) -> FloatArray:
    """How keen the dealer is to bring each copy: dear ones, all of one tier, light ones, those known to be good."""
    dealer = DEALERS[people.dealer[player]]
    tiers = bows.tier[at_hand]
    favourite = rng.choice(tiers) if tiers.size else -1
    wish = np.nan_to_num(people.wish_mass[player])
    keen: FloatArray = (
        dealer.likes_dear * bows.grade[at_hand]
        + dealer.likes_one_tier * (tiers == favourite)
        + (0.5 * wish - dealer.likes_light) * bows.traits[at_hand, 0]
        + dealer.knows_stock * bows.quality[at_hand]
        + rng.gumbel(0.0, 1.0, at_hand.size)
    )
    return keen


def _order(rng: np.random.Generator, chosen: IntArray) -> IntArray:
    """Order of play: shuffled, a third of the trials with a hidden repeat, the own bow inside and sometimes last."""
    order = rng.permutation(chosen)
    if rng.random() < 1 / 3 and order.size > 1:
        order = np.append(order, order[rng.integers(0, order.size - 1)])
    kind = rng.random()
    if kind < 0.95:
        order = np.insert(order, rng.integers(0, order.size), OWN)
    if kind < 0.20:
        order = np.append(order, OWN)
    return order


def _felt(
    rng: np.random.Generator, world: World, visit: Visit, bows: IntArray, blinding: str, *, house: bool
) -> FloatArray:
    """Add up what is felt at each run, in points, shape (runs, 8): true liking, state of the bow, drift, price."""
    i, people = visit.player, world.people
    points = np.where((bows == OWN)[:, None], world.points.own[i], world.points.copies[i, bows])
    state = world.repairs.offset(visit.day, len(world.bows.serial))
    shift = state + house * (world.points.house_match[people.dealer[i]] - world.points.match[i])
    seen = {"open": 0.30, "masked": 0.12, "blind": 0.0}[blinding] * people.dear[i]
    points = points + np.where(bows == OWN, 0.0, shift[bows] + seen * world.bows.grade[bows])[:, None]
    position = np.arange(bows.size)
    drift = -0.25 * (position == 0) - people.tires[i] * np.maximum(position - 3, 0)
    return _haloed(points + drift[:, None] + _noise(rng, world, i, points.shape), float(people.halo[i]))


def _noise(rng: np.random.Generator, world: World, player: int, shape: tuple[int, ...]) -> FloatArray:
    """Noise of the marks (runs, 8): partly that of the whole run, with heavy tails, and runs that are off altogether."""
    nature = world.nature
    spread = np.sqrt(nature.tails / (nature.tails - 2.0))
    together = 0.6 * rng.standard_t(nature.tails, (shape[0], 1)) + 0.8 * rng.standard_t(nature.tails, shape)
    mixed = (rng.random((shape[0], 1)) < nature.mix_ups) * rng.normal(0.0, 1.5, (shape[0], 1))
    noise: FloatArray = world.people.noise[player] * together / spread + mixed
    return noise


def _haloed(felt: FloatArray, halo: float) -> FloatArray:
    """Draw the seven criteria of each sheet towards its overall impression, noise and all, (runs, 8)."""
    impression = BASE - BELOW + 0.8 * (felt[:, :1] - BASE)
    return np.concatenate([felt[:, :1], (1.0 - halo) * felt[:, 1:] + halo * impression], axis=1)


def _mean_felt(felt: FloatArray, bows: IntArray, made: Bows, dealer: int) -> Felt:
    """Find the overall liking the player goes home with, by bow, and what each costs here."""
    tried = np.unique(bows[bows != OWN])
    liking = np.array([felt[bows == k, 0].mean() for k in tried])
    prices = np.array([price_at(DEALERS[dealer], TIERS[made.tier[k]]) for k in tried], dtype=np.float64)
    own = float(felt[bows == OWN, 0].mean()) if OWN in bows else None
    return Felt(tried, liking, prices, own)


def _put_back(stock: Stock, visit: Visit, bows: IntArray, decision: Decision, place: str) -> None:
    """Remember what was tried, what is away by post, and what was sold."""
    tried = np.unique(bows[bows != OWN])
    stock.tried.update((visit.player, int(k)) for k in tried)
    if place == "post":
        stock.away[tried] = visit.day + 12
    if decision.kept is not None:
        if decision.back_after is None:
            stock.sold[decision.kept] = visit.day + decision.after
        stock.away[decision.kept] = visit.day + decision.after + (decision.back_after or 0) + 1

"""The world as the eight files that `load` takes in: columns, order and the way numbers are written."""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import TypeAlias

import numpy as np

from seed_data.bows import LAST_DAY, MEASURED, NEVER, WORKSHOP, Bows, Repairs
from seed_data.catalogue import CRITERIA, DEALERS, INSTRUMENTS, OWN_PRICES, TIERS, Dealer, Tier, price_at
from seed_data.characters import CHARACTERS
from seed_data.chronicle import OWN, Stock, Trial, World
from seed_data.people import People
from seed_data.sheets import Sheet

Cell: TypeAlias = str | int | float
Row: TypeAlias = dict[str, Cell]

FIRST_DATE = date(2023, 11, 2)
STEP = 0.3
"""Points of a criterion that the maker calls one step: a little, where twice as much is much."""
COLUMNS: dict[str, tuple[str, ...]] = {
    "tiers": ("tier", "name", "instrument", "holds", "grade", "price", "currency", "note"),
    "character": ("tier", "criterion", "step"),
    "prices": ("tier", "dealer", "price", "currency"),
    "copies": ("copy", "tier", "hold", "dealer", "status", "materials", "insured_value", *MEASURED),
    "bench": ("copy", "date", "quantity", "value", "unit", "method", "by"),
    "events": ("copy", "date", "event", "note"),
    "runs": (
        *("trial", "player", "dealer", "date", "instrument", "hold", "strings", "string_length_mm", "settings"),
        *("budget", "currency", "priorities", "wish_mass", "wish_tone", "place", "blinding", "instrument_used"),
        *("rater", "position", "copy", *CRITERIA, "carrying", "clean_strokes", "strokes", "note"),
    ),
    "outcomes": ("trial", "date", "outcome", "copy", "reason", "price", "currency"),
}
# Quantity -> unit and method.
BENCH = {
    "mass_g": ("g", "scale"),
    "length_mm": ("mm", "rule"),
    "balance_mm": ("mm", "knife edge"),
    "stiffness_n_per_m": ("N/m", "three-point bending"),
    "speed_of_sound_m_s": ("m/s", "longitudinal resonance"),
    "loss_factor": ("1", "decay of the longitudinal resonance"),
    "swing_inertia_kg_m2": ("kg m2", "pendulum"),
}


def iso(day: int) -> str:
    """ISO 8601 date of a day of the world."""
    return (FIRST_DATE + timedelta(days=int(day))).isoformat()


def text(cell: Cell) -> str:
    """Cell as written: whole numbers without a point, others in the shortest form that reads back the same."""
    if isinstance(cell, str):
        return cell
    number = float(cell)
    if np.isnan(number):
        return ""
    return str(int(number)) if number.is_integer() else repr(number)


def as_csv(name: str, rows: Iterable[Mapping[str, Cell]]) -> str:
    """One file's content with its header; an absent cell is empty."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS[name])
    writer.writerows([text(row.get(column, "")) for column in COLUMNS[name]] for row in rows)
    return out.getvalue()


def write(folder: Path, tables: Mapping[str, Sequence[Mapping[str, Cell]]]) -> None:
    """Write the eight files into a folder, made if it is not there."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in tables.items():
        (folder / f"{name}.csv").write_text(as_csv(name, rows), encoding="utf-8", newline="")


def all_tables(rng: np.random.Generator, world: World, trials: list[Trial], stock: Stock) -> dict[str, list[Row]]:
    """Rows of every file, each in its stable order."""
    bench = _bench(rng, world.bows, world.repairs, stock)
    return {
        "tiers": _tiers(),
        "character": _character(),
        "prices": _prices(),
        "copies": _copies(rng, world.bows, stock, bench),
        "bench": bench,
        "events": _events(world, stock),
        "runs": [row for trial in trials for row in _runs(world.people, world.bows, trial)],
        "outcomes": [row for trial in trials for row in _outcomes(world.bows, trial)],
    }


def _tiers() -> list[Row]:
    ordered = sorted(TIERS, key=lambda t: (INSTRUMENTS.index(t.instrument), t.grade, t.slug))
    return [
        {
            "tier": t.slug,
            "name": t.name,
            "instrument": t.instrument,
            "holds": t.holds,
            "grade": t.grade,
            "price": t.price,
            "currency": "EUR",
            "note": CHARACTERS[t.slug].note,
        }
        for t in ordered
    ]


def _character() -> list[Row]:
    """List what the maker means by every tier in steps; what is less than half a step is not said."""
    steps = {(tier, name): round(points / STEP) for tier, of in CHARACTERS.items() for name, points in of.meant.items()}
    return [{"tier": tier, "criterion": name, "step": step} for (tier, name), step in sorted(steps.items()) if step]


def _prices() -> list[Row]:
    """Price the whole range for a dealer in another currency, for the others only where they differ."""
    return [
        _price(tier, dealer)
        for tier in sorted(TIERS, key=lambda t: t.slug)
        for dealer in sorted(DEALERS, key=lambda d: d.slug)
        if dealer.currency != "EUR" or (dealer.slug, tier.slug) in OWN_PRICES
    ]


def _price(tier: Tier, dealer: Dealer) -> Row:
    return {
        "tier": tier.slug,
        "dealer": dealer.slug,
        "price": price_at(dealer, tier),
        "currency": dealer.currency,
    }


def _dealer_slug(place: int) -> str:
    return "" if place == WORKSHOP else DEALERS[place].slug


def _bench(rng: np.random.Generator, bows: Bows, repairs: Repairs, stock: Stock) -> list[Row]:
    """List the first readings of every copy, and the mass again after new hair."""
    first = bows.enters - rng.integers(4, 160, bows.enters.size)
    by = rng.choice(["bench one", "bench two"], bows.enters.size)
    rows = [
        _reading(bows.serial[k], int(first[k]), name, bows.measured[k, j], str(by[k]))
        for k in range(len(bows.serial))
        for j, name in enumerate(MEASURED)
        if not np.isnan(bows.measured[k, j])
    ]
    again = [n for n, kind in enumerate(repairs.kind) if kind == "rehaired" and _happened(repairs, n, stock)][::2]
    weighed = [n for n in again if not np.isnan(bows.measured[repairs.copy[n], 0])]
    rows += [_weighed_again(rng, bows, int(repairs.copy[n]), int(repairs.day[n])) for n in weighed]
    return sorted(rows, key=lambda row: (row["copy"], row["date"], row["quantity"], row["method"]))


def _reading(serial: str, day: int, name: str, value: float, by: str) -> Row:
    unit, method = BENCH[name]
    return {
        "copy": serial,
        "date": iso(day),
        "quantity": name,
        "value": value,
        "unit": unit,
        "method": method,
        "by": by,
    }


def _weighed_again(rng: np.random.Generator, bows: Bows, copy: int, day: int) -> Row:
    old = float(bows.measured[copy, 0])
    return _reading(bows.serial[copy], day, "mass_g", round(old + rng.normal(0.0, 0.3), 1), "bench one")


def _happened(repairs: Repairs, n: int, stock: Stock) -> bool:
    """Whether the visit to the workshop came before the copy was sold."""
    return bool(repairs.day[n] < stock.sold[repairs.copy[n]])


def _copies(rng: np.random.Generator, bows: Bows, stock: Stock, bench: list[Row]) -> list[Row]:
    """List the copies by serial, with their latest readings; one status each."""
    status = _statuses(rng, bows, stock)
    insured = rng.random(len(bows.serial)) < 0.85
    latest: dict[str, Row] = {serial: {} for serial in bows.serial}
    for row in bench:
        latest[str(row["copy"])][str(row["quantity"])] = row["value"]
    place = bows.place(LAST_DAY)
    return [
        {
            "copy": serial,
            "tier": TIERS[bows.tier[k]].slug,
            "hold": bows.hold[k],
            "dealer": _dealer_slug(int(place[k])),
            "status": status[k],
            "materials": TIERS[bows.tier[k]].materials,
            "insured_value": round(0.8 * TIERS[bows.tier[k]].price) if insured[k] else "",
            **latest[serial],
        }
        for k, serial in enumerate(bows.serial)
    ]


def _statuses(rng: np.random.Generator, bows: Bows, stock: Stock) -> list[str]:
    """Sold where the chronicle sold it; of the rest nearly all in stock."""
    words = ["in_stock", "reserved", "on_trial", "in_transit", "in_repair", "withdrawn"]
    drawn = rng.choice(words, len(bows.serial), p=[0.90, 0.02, 0.03, 0.015, 0.02, 0.015])
    return ["sold" if sold < NEVER else str(word) for sold, word in zip(stock.sold, drawn, strict=True)]


def _events(world: World, stock: Stock) -> list[Row]:
    """Repairs and moves that came before the copy was sold, by copy and date."""
    bows, repairs = world.bows, world.repairs
    rows: list[Row] = [
        {"copy": bows.serial[repairs.copy[n]], "date": iso(repairs.day[n]), "event": kind, "note": ""}
        for n, kind in enumerate(repairs.kind)
        if _happened(repairs, n, stock)
    ]
    moved = np.flatnonzero((bows.moves < NEVER) & (bows.moves < stock.sold))
    rows += [_move(bows, int(k)) for k in moved]
    return sorted(rows, key=lambda row: (row["copy"], row["date"], row["event"]))


def _move(bows: Bows, k: int) -> Row:
    start, end = (_dealer_slug(int(place[k])) or "workshop" for place in (bows.first_place, bows.second_place))
    return {"copy": bows.serial[k], "date": iso(bows.moves[k]), "event": "moved", "note": f"from {start} to {end}"}


def _runs(people: People, bows: Bows, trial: Trial) -> list[Row]:
    answers = _answers(people, trial)
    return [answers | _sheet(bows, trial, sheet) for sheet in trial.sheets]


def _answers(people: People, trial: Trial) -> Row:
    """Write what is the same on every row of a trial."""
    i = trial.player
    dealer = DEALERS[people.dealer[i]]
    return {
        "trial": trial.key,
        "player": people.key[i],
        "dealer": dealer.slug,
        "date": iso(trial.day),
        "instrument": INSTRUMENTS[people.instrument[i]],
        "hold": people.hold[i],
        "strings": int(people.strings[i]) or "",
        "string_length_mm": int(people.string_length[i]) or "",
        "settings": " ".join(people.settings[i]),
        "budget": people.budget[i],
        "currency": dealer.currency,
        "priorities": " ".join(people.priorities[i]),
        "wish_mass": people.wish_mass[i],
        "wish_tone": people.wish_tone[i],
        "place": trial.place,
        "blinding": trial.blinding,
        "instrument_used": trial.instrument_used,
    }


def _sheet(bows: Bows, trial: Trial, sheet: Sheet) -> Row:
    bow = int(trial.bows[sheet.position - 1])
    return {
        "rater": sheet.rater,
        "position": sheet.position,
        "copy": "own" if bow == OWN else bows.serial[bow],
        **sheet.marks,
        "note": sheet.note,
    }


def _outcomes(bows: Bows, trial: Trial) -> list[Row]:
    """One row a trial, and a second where the bow came back."""
    decision = trial.decision
    copy = "" if decision.kept is None else bows.serial[decision.kept]
    day = trial.day + decision.after
    first: Row = {
        "trial": trial.key,
        "date": iso(day),
        "outcome": decision.outcome,
        "copy": copy,
        "reason": decision.reason,
    }
    if decision.back_after is None:
        return [first]
    back = {"date": iso(day + decision.back_after), "outcome": "returned", "reason": decision.back_reason}
    return [first, first | back]

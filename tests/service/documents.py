"""A stored advice document, invented, to be changed by keyword; deep copies, so that no test sees another's changes."""

import copy
from typing import Any

FIT = {"expected": 4.3, "low": 3.0, "high": 6.0, "level": 0.92}
NOTE_VALUES: dict[str, dict[str, Any]] = {
    "model_stands_in": {"version": 7},
    "beliefs_stand_in": {"version": 7},
    "prior_only": {"trials": 3},
    "by_maker": {},
    "few_trials": {"trials": 31},
    "currency_only": {"currency": "CHF"},
    "no_tier_in_currency": {"currency": "CHF"},
    "over_budget": {"amount": 900, "currency": "EUR"},
    "no_tier": {"instrument": "double_bass", "hold": "french"},
    "by_stock": {"dealer": "Harbour Strings (invented)"},
    "short_of_stock": {"tier": "juniper", "missing": 2},
    "limited_by_time": {"minutes": 20},
    "no_budget": {},
    "tried_used": {"count": 2},
    "own_mass": {"mass_g": 134.0},
    "few_outcomes": {"outcomes": 3},
    "priorities_unknown": {"criteria": ["off_string", "ease"]},
    "unrated_own_bow": {},
    "one_bow": {},
    "few_at_hand": {"count": 2, "missing": 1},
    "beyond_budget": {"amount": 900, "currency": "EUR"},
    "far_below_budget": {"dearer": True, "by_stock": True},
    "sensible_price": {"judgement": True},
}
"""Every note code with values as they are stored."""

_DOCUMENT: dict[str, Any] = {
    "id": "1f0e7b52-3a77-4b62-9d3c-5f6f0a3f8d11",
    "created": "2026-11-24T10:00:00Z",
    "answers": {
        "instrument": "double_bass",
        "hold": "german",
        "settings": ["orchestra"],
        "budget": {"amount": 2600, "currency": "EUR"},
        "priorities": ["response", "dynamic_range"],
    },
    "model": {
        "version": 7,
        "fitted": "2026-05-01T08:00:00Z",
        "basis": "trials",
        "trials": 142,
        "trials_all": 412,
        "priority_weight": 0.5,
    },
    "verdict": {"code": "trial", "chance": 0.71, "expected_gain": 0.66, "changes_at": None, "elsewhere": []},
    "shortlist": [
        {
            "tier": "juniper",
            "name": "Juniper",
            "price": 2450,
            "currency": "EUR",
            "role": "best_fit",
            "fit": FIT,
            "beats_own_bow": 0.77,
            "copies": 3,
            "at_hand": 4,
            "mass_g": 133.6,
            "materials": "pernambuco",
            "note": "Quick to speak, for the orchestra",
            "reasons": [{"criterion": "response", "against": "own_bow", "effect": 0.6, "sure": "likely"}],
            "weaknesses": [{"criterion": "ease", "against": "own_bow", "effect": -0.4, "sure": "likely"}],
        },
        {
            "tier": "rowan",
            "name": "Rowan",
            "price": 2840,
            "currency": "EUR",
            "role": "step_up",
            "fit": FIT,
            "beats_own_bow": 0.81,
            "copies": 1,
            "at_hand": 1,
            "mass_g": 136.0,
            "materials": "pernambuco",
            "note": None,
            "reasons": [{"criterion": "dynamic_range", "against": "juniper", "effect": 0.3, "sure": "probably"}],
            "weaknesses": [],
        },
    ],
    "own_bow": {"state": "rated", "level": 4.0},
    "trial": {
        "copies": 4,
        "runs": 6,
        "minutes": 40,
        "chance_one_beats_own_bow": 0.87,
        "by_copies": [
            {"copies": n, "bows": n, "chance": chance, "expected_gain": gain}
            for n, chance, gain in (
                (1, 0.62, 0.4),
                (2, 0.76, 0.55),
                (3, 0.83, 0.62),
                (4, 0.87, 0.66),
                (5, 0.89, 0.675),
                (6, 0.9, 0.685),
            )
        ],
        "bring": ["DB-0388", "DB-0401", "DB-0417", "DB-0502"],
        "place": "shop",
        "loved": [],
        "rejected": [],
    },
    "more": {"amount": 500, "currency": "EUR", "tier": "rowan", "name": "Rowan", "points": 0.3},
    "tried": [],
    "cautions": ["estimate", "pain", "bow_care", "personal_data"],
    "notes": [],
}


def document(**changes: Any) -> dict[str, Any]:
    """Return the document with ``changes`` at its top level; a dict is laid over the part it changes."""
    made = copy.deepcopy(_DOCUMENT)
    for key, value in changes.items():
        made[key] = made[key] | value if isinstance(value, dict) and isinstance(made[key], dict) else value
    return made


def entry(**changes: Any) -> dict[str, Any]:
    """Return the document's first tier with ``changes``."""
    made: dict[str, Any] = copy.deepcopy(_DOCUMENT)["shortlist"][0]
    return made | changes


def before_verdicts(**changes: Any) -> dict[str, Any]:
    """Return the document as it was stored before there were verdicts."""
    made = document(**changes)
    for key in ("verdict", "more", "tried"):
        made.pop(key, None)
    for tier in made["shortlist"]:
        for key in ("at_hand", "mass_g", "materials", "note"):
            tier.pop(key, None)
        for kind in ("reasons", "weaknesses"):
            criteria = [told for told in tier[kind] if "criterion" in told and told["against"] in (None, "own_bow")]
            tier[kind] = [{"criterion": told["criterion"], "effect": told["effect"]} for told in criteria]
    if made["trial"]:
        for key in ("loved", "rejected"):
            made["trial"].pop(key, None)
    return made


NO_CASE: dict[str, Any] = {
    "copies": 0,
    "runs": 2,
    "minutes": 20,
    "chance_one_beats_own_bow": 0.0,
    "by_copies": [],
    "bring": [],
}
"""The part of a trial for which nothing is at hand."""


def curious(**changes: Any) -> dict[str, Any]:
    """Return a document that advises a trial to the curious only."""
    return document(verdict={"code": "curious", "chance": 0.36, "expected_gain": 0.2}, **changes)


def keep(**changes: Any) -> dict[str, Any]:
    """Return a document that advises to keep the own bow, and from which price on that changes."""
    at = {"price": 4100, "currency": "EUR", "tier": "yew", "name": "Yew Gate"}
    told = {"code": "keep", "chance": 0.12, "expected_gain": 0.06, "changes_at": at, "elsewhere": []}
    rows = [{"copies": n, "bows": n, "chance": 0.15 + 0.03 * n, "expected_gain": 0.02 + 0.01 * n} for n in range(1, 7)]
    trial = {"by_copies": rows, "chance_one_beats_own_bow": rows[3]["chance"]}
    return document(**({"verdict": told, "own_bow": {"state": "rated", "level": 6.4}, "trial": trial} | changes))


def ask(**changes: Any) -> dict[str, Any]:
    """Return a document for which nothing suitable is at hand, though the workshop has some."""
    there = [{"tier": "juniper", "name": "Juniper", "where": "workshop", "count": 3}]
    told = {"code": "ask", "chance": 0.0, "expected_gain": 0.0, "changes_at": None, "elsewhere": there}
    tiers = [
        entry(copies=0, at_hand=0),
        entry(tier="rowan", name="Rowan", price=2840, role="contrast", copies=0, at_hand=0),
    ]
    return document(**({"verdict": told, "trial": NO_CASE, "shortlist": tiers, "more": None} | changes))


def ladder(**changes: Any) -> dict[str, Any]:
    """Return a document without a budget: three steps in order of price."""
    reason = {"criterion": "clarity", "against": "bramble", "effect": 0.7, "sure": "likely"}
    steps = [
        entry(tier="bramble", name="Bramble", price=980, role="entry", copies=0, reasons=[{"fact": "note", "against": None, "effect": 0.0}], weaknesses=[]),
        entry(role="sensible", copies=2, reasons=[reason]),
        entry(tier="rowan", name="Rowan", price=6400, role="most_liked", copies=1, reasons=[reason | {"against": "juniper", "effect": 0.3}]),
    ]  # fmt: skip
    notes = [{"code": code, "values": NOTE_VALUES[code]} for code in ("no_budget", "sensible_price")]
    made = document(
        **({"shortlist": steps, "notes": notes, "trial": {"copies": 3, "runs": 5, "minutes": 35}} | changes)
    )
    made["answers"].pop("budget", None)
    return made


def of_all_there_is(**changes: Any) -> dict[str, Any]:
    """Return a document of a case that holds every bow at hand."""
    made = document(**changes)
    made["trial"] |= {"ends": "stock", "by_copies": made["trial"]["by_copies"][: made["trial"]["copies"]]}
    return made


def under_the_prior(**changes: Any) -> dict[str, Any]:
    """Return a document behind which too few trials stand, with every note and caution."""
    notes = [{"code": code, "values": values} for code, values in NOTE_VALUES.items()]
    few = {"version": None, "fitted": None, "basis": "prior", "trials": 3, "trials_all": 3}
    return document(model=few, notes=notes, **changes)

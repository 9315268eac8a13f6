"""A stored advice document, invented, to be changed by keyword; deep copies, so that no test sees another's changes."""

import copy
from typing import Any

FIT = {"expected": 4.3, "low": 2.6, "high": 6.1, "level": 0.9}
NOTE_VALUES: dict[str, dict[str, Any]] = {
    "model_stands_in": {"version": 7},
    "beliefs_stand_in": {"version": 7},
    "prior_only": {"trials": 3},
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
            "reasons": [{"criterion": "response", "effect": 0.6}],
            "weaknesses": [{"criterion": "ease", "effect": -0.4}],
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
            "reasons": [],
            "weaknesses": [],
        },
    ],
    "own_bow": {"state": "rated", "level": 4.0},
    "trial": {
        "copies": 4,
        "runs": 6,
        "minutes": 40,
        "chance_one_beats_own_bow": 0.98,
        "by_copies": [
            {"copies": n, "bows": n, "chance": 1 - 0.23**n, "expected_gain": 0.5 + 0.1 * n} for n in range(1, 7)
        ],
        "bring": ["DB-0388", "DB-0401", "DB-0417", "DB-0502"],
        "place": "shop",
    },
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


def under_the_prior(**changes: Any) -> dict[str, Any]:
    """Return a document behind which too few trials stand, with every note and caution."""
    notes = [{"code": code, "values": values} for code, values in NOTE_VALUES.items()]
    few = {"version": None, "fitted": None, "basis": "prior", "trials": 3, "trials_all": 3}
    return document(model=few, notes=notes, **changes)

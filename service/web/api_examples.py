"""Examples in the API's description: an advice and a refusal; invented, held against the schema and the words by tests."""

from typing import Any

_FIT = {"expected": 5.0, "low": 3.2, "high": 6.7, "level": 0.9}

ADVICE: dict[str, Any] = {
    "id": "1f0e7b52-3a77-4b62-9d3c-5f6f0a3f8d11",
    "model": {
        "version": 7,
        "fitted": "2026-05-01T08:00:00Z",
        "basis": "trials",
        "trials": 142,
        "trials_all": 412,
        "priority_weight": 0.5,
    },
    "verdict": {
        "code": "trial",
        "chance": 0.71,
        "expected_gain": 0.62,
        "text": "Worth a trial: three bows",
    },
    "shortlist": [
        {
            "tier": "juniper",
            "name": "Juniper",
            "price": 2450,
            "currency": "EUR",
            "role": "best_fit",
            "fit": _FIT,
            "beats_own_bow": 0.74,
            "copies": 2,
            "at_hand": 4,
            "mass_g": 134.2,
            "materials": "pernambuco",
            "note": "Quick to speak, for the orchestra",
            "reasons": [
                {
                    "criterion": "response",
                    "against": "own_bow",
                    "effect": 0.6,
                    "sure": "likely",
                    "text": "Compared with your own bow, expect a quicker response.",
                }
            ],
            "weaknesses": [],
        },
        {
            "tier": "bramble",
            "name": "Bramble",
            "price": 1380,
            "currency": "EUR",
            "role": "best_value",
            "fit": _FIT | {"expected": 4.8, "low": 3.0, "high": 6.5},
            "beats_own_bow": 0.68,
            "copies": 1,
            "at_hand": 2,
            "mass_g": 130.5,
            "materials": "pernambuco",
            "reasons": [
                {
                    "fact": "price",
                    "against": "juniper",
                    "effect": -1070.0,
                    "text": "It costs 1,070\u00a0€ less than Juniper.",
                }
            ],
            "weaknesses": [],
        },
    ],
    "more": {"amount": 500, "currency": "EUR", "tier": "rowan", "name": "Rowan", "points": 0.3},
    "tried": [],
    "trial": {
        "copies": 3,
        "runs": 5,
        "minutes": 35,
        "chance_one_beats_own_bow": 0.88,
        "by_copies": [
            {"copies": 1, "bows": 1, "chance": 0.74, "expected_gain": 0.44},
            {"copies": 2, "bows": 2, "chance": 0.83, "expected_gain": 0.56},
            {"copies": 3, "bows": 3, "chance": 0.88, "expected_gain": 0.62},
            {"copies": 4, "bows": 4, "chance": 0.9, "expected_gain": 0.635},
        ],
        "recommendation": "Try three bows: two Juniper and one Bramble.",
    },
    "cautions": ["This is a statistical estimate from past trials."],
    "notes": [],
}

PROBLEM: dict[str, Any] = {
    "type": "/problems/invalid_fields",
    "title": "Some answers cannot be used",
    "status": 422,
    "detail": "Nothing was changed. Mend the fields named here and send it again.",
    "code": "invalid_fields",
    "errors": [
        {
            "path": "tried.0.copy",
            "code": "not_here",
            "detail": "There is no bow DB-9999 in the range; look at its serial again.",
        }
    ],
}

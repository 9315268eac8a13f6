"""Examples in the API's description; invented, held against the schema and the words by tests."""

from typing import Any

_FIT = {"expected": 5.0, "low": 4.0, "high": 6.0, "level": 0.885}

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
    "verdict": {"code": "trial", "chance": 0.71, "expected_gain": 0.62, "text": "Worth a trial: three bows"},
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
            "best_at_hand": 0.77,
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
            "fit": _FIT | {"expected": 4.8, "low": 3.0, "high": 6.0, "level": 0.928},
            "beats_own_bow": 0.68,
            "copies": 1,
            "at_hand": 2,
            "best_at_hand": 0.7,
            "mass_g": 130.5,
            "materials": "pernambuco",
            "reasons": [
                {"fact": "price", "against": "juniper", "effect": -1070.0, "text": "It costs €1,070 less than Juniper."}
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

_ENQUIRY: dict[str, Any] = {
    "id": "1f0e7b52-3a77-4b62-9d3c-5f6f0a3f8d11",
    "created_at": "2026-11-30T08:15:00Z",
    "instrument": "double_bass",
    "hold": "german",
    "player": None,
    "trials": [],
    "settled": False,
}
_MARK = "WyIyMDI2LTExLTMwVDA4OjE1OjAwKzAwOjAwIl0"
_ENQUIRIES: dict[str, Any] = {"enquiries": [_ENQUIRY], "after": _MARK, "next": None}
_ONE_ENQUIRY: dict[str, Any] = _ENQUIRY | {
    "language": "en",
    "answers": {"instrument": "double_bass", "hold": "german", "settings": ["orchestra"]},
    "contact": {"name": "Ada (invented)", "email": "ada@bows.example", "consent": {"advice": True, "mail": False}},
    "advice": ADVICE,
}
_TRIAL: dict[str, Any] = {
    "id": "7d9f4a52-8f07-4a3e-9a3c-0c5a1f3f8d21",
    "number": 14,
    "state": "open",
    "date": "2026-11-30",
    "hour": "15:30",
    "due_back": "2026-11-30",
    "instrument": "double_bass",
    "hold": "german",
    "place": "shop",
    "blinding": "blind",
    "enquiry": "1f0e7b52-3a77-4b62-9d3c-5f6f0a3f8d11",
    "player": "p-8c2f",
    "sheets_in": 1,
    "sheets_of": 3,
    "revealed": False,
    "outcome": None,
}
_TRIALS: dict[str, Any] = {"trials": [_TRIAL], "after": "WzE0XQ", "next": "/api/v1/trials?after=WzE0XQ"}
_ONE_TRIAL: dict[str, Any] = _TRIAL | {
    "minutes": 45,
    "runs": [
        {"position": 1, "letter": "K", "own": False, "copy": None},
        {"position": 2, "letter": "", "own": True, "copy": None},
        {"position": 3, "letter": "R", "own": False, "copy": None},
    ],
    "later_sittings": [],
    "copies": ["DB-0388", "DB-0417"],
    "outcomes": [],
}
_RANGE: dict[str, Any] = {
    "tiers": [
        {
            "tier": "juniper",
            "name": "Juniper",
            "instrument": "double_bass",
            "holds": ["german", "french"],
            "grade": 2,
            "price": 2450,
            "currency": "EUR",
            "note": None,
            "at_hand": 3,
        }
    ],
    "after": "WyJqdW5pcGVyIl0",
    "next": None,
}
_STOCK: dict[str, Any] = {
    "copies": [
        {
            "copy": "DB-0388",
            "tier": "juniper",
            "hold": "german",
            "status": "on_trial",
            "trial": "7d9f4a52-8f07-4a3e-9a3c-0c5a1f3f8d21",
            "due_back": "2026-11-30",
            "materials": "pernambuco, ebony",
            "mass_g": 134.2,
        }
    ],
    "after": "WyJEQi0wMzg4Il0",
    "next": None,
}

_MADE: dict[str, Any] = {
    "id": "7d9f4a52-8f07-4a3e-9a3c-0c5a1f3f8d21",
    "number": 14,
    "state": "open",
    "player": "p-8c2f",
    "runs": [
        {"position": 1, "letter": "K", "own": False},
        {"position": 2, "letter": "", "own": True},
        {"position": 3, "letter": "R", "own": False},
    ],
}
_STANDING: dict[str, Any] = {
    "bows": [
        {
            "letter": "K",
            "letters": ["K"],
            "own": False,
            "plays": 1,
            "fit": {"expected": 5.4, "low": 3.8, "high": 6.8, "level": 0.9},
            "best": 0.71,
            "copy": None,
        },
        {"letter": "R", "letters": ["R"], "own": False, "plays": 0, "fit": None, "best": None, "copy": None},
    ],
    "recommendation": {"say": "go_on", "letters": ["R"], "tier": None, "text": "Play R next."},
    "revealed": False,
    "sheets_in": 1,
    "sheets_of": 3,
    "basis": "trials",
    "notes": [],
}

ANSWERS: dict[str, dict[str, Any]] = {
    "Enquiries": _ENQUIRIES,
    "Enquiry": _ONE_ENQUIRY,
    "Trials": _TRIALS,
    "Trial": _ONE_TRIAL,
    "Range": _RANGE,
    "Stock": _STOCK,
    "TrialMade": _MADE,
    "Standing": _STANDING,
    "OutcomeStored": {
        "outcome": "kept",
        "copy": "DB-0417",
        "reason": "sound",
        "date": "2026-11-30",
        "price": 2300,
        "currency": "EUR",
    },
    "SheetStored": {"stored_revision": 1, "flags": []},
    "Alive": {"status": "ok"},
    "Health": {
        "status": "ok",
        "parts": {"database": "ok", "tables": "ok", "model": "ok", "outbox": "alarm", "disk": "ok"},
    },
}
"""By the name of the model; put into the description as they are, since what makes it leaves out every null."""

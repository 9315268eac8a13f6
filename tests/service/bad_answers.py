"""Unusable answers for every field of the questionnaire, each with the path that must be named."""

from typing import Any

GOOD: dict[str, Any] = {
    "instrument": "double_bass",
    "hold": "german",
    "strings": 4,
    "string_length_mm": 1050,
    "settings": ["orchestra"],
    "budget": {"amount": 2600, "currency": "EUR", "stretch_percent": 10},
    "priorities": ["response", "dynamic_range", "off_string"],
    "wishes": {"mass": -1, "tone": None},
    "own_bow": {"kind": "wood", "mass_g": 134, "ratings": {"overall": 4, "response": 3}},
    "tried": [{"copy": "DB-0417", "ratings": {"overall": 6, "response": 6, "clarity": 5}}],
    "trial": {"minutes": 45, "place": "shop"},
    "id": "1f0e7b52-3a77-4b62-9d3c-5f6f0a3f8d11",
    "language": "en",
    "dealer": "harbour",
    "contact": {
        "name": "Ada Invented",
        "email": "ada@example.org",
        "phone": "+49 (0)30 123-45",
        "consent": {"advice": True, "mail": True, "model": False},
    },
}

NAN, INFINITY = float("nan"), float("inf")
CONTROLS = ["two\nlines", "nul\x00", "\x1b[31m", "turned\u202eround", "bell\x07"]
NOT_TEXT: list[Any] = [5, True, None, [], {}, NAN]
NOT_RATINGS: list[Any] = [0, 8, 4.5, -1, "5", "", True, None, [], {}, NAN, INFINITY, 10**30, "?"]
NOT_OBJECTS: list[Any] = ["text", 3, True, [1]]

BAD: dict[str, list[Any]] = {
    "instrument": ["guitar", "", "Violin", "double bass", *NOT_TEXT],
    "hold": ["overhand", "", None, 1, True, [], {}],
    "strings": [2, 7, 4.5, "4", True, [], {}, NAN, INFINITY],
    "string_length_mm": [499.9, 1300.1, -1050, 0, "1050", True, [], NAN, INFINITY],
    "settings": ["orchestra", None, 3, {}, ["orchestra"] * 51],
    "settings.0": [["pub"], [""], [None], [3], [["solo"]]],
    "budget": NOT_OBJECTS,
    "budget.amount": [0, -1, 1_000_000.01, "2600", "2,600", True, None, [], {}, NAN, INFINITY],
    "budget.currency": ["eur", "EURO", "€", "", "E1R", *NOT_TEXT],
    "budget.stretch_percent": [-1, 101, "10", True, None, [], NAN, INFINITY],
    "priorities": [
        ["response"] * 2,
        ["overall"],
        ["response", "clarity", "ease", "tone"],
        "response",
        None,
        {},
    ],
    "priorities.1": [["tone", "loudness"], ["tone", None], ["tone", 3]],
    "wishes": [*NOT_OBJECTS, None],
    "wishes.mass": [2, -2, 0.5, "lighter", "1", True, [], NAN],
    "wishes.tone": [2, -2, 0.5, "warm", "0", False, [], INFINITY],
    "own_bow": NOT_OBJECTS,
    "own_bow.kind": ["steel", "", *NOT_TEXT],
    "own_bow.mass_g": [29.9, 250.1, 0, -60, "60", True, [], NAN, INFINITY],
    "own_bow.ratings": [None, 5, "5", [5]],
    "own_bow.ratings.response": NOT_RATINGS,
    "tried": [None, "DB-0417", {}, [{"copy": "A", "ratings": {"overall": 4}}] * 21],
    "tried.0": [["DB-0417"], [3], [None]],
    "tried.0.copy": ["", " " * 101, "x" * 101, *CONTROLS, *NOT_TEXT],
    "tried.0.ratings": [{}, None, 5, [5]],
    "tried.0.ratings.clarity": NOT_RATINGS,
    "trial": [*NOT_OBJECTS, None],
    "trial.minutes": [14, 241, 45.5, "45", True, [], NAN, INFINITY],
    "trial.place": ["moon", "", *NOT_TEXT],
    "id": ["", "1", "not-a-uuid", 1, True, [], {}],
    "language": ["", "english please", "e", "de_AT", "x" * 36, 3, True, [], {}],
    "dealer": ["", "x" * 101, *CONTROLS, 3, True, [], {}],
    "player": ["", "x" * 101, *CONTROLS, 3, True, [], {}],
    "contact": NOT_OBJECTS,
    "contact.name": ["x" * 201, *CONTROLS, 3, True, [], {}],
    "contact.email": [
        None,
        "",
        "ada",
        "ada@",
        "@example.org",
        "ada@example",
        "ada@@example.org",
        "ada@example.org@example.org",
        "ada lovelace@example.org",
        "ada@example.org\r\nBcc: all@example.org",
        "ada@example.org, eve@example.org",
        "Ada <ada@example.org>",
        f"{'a' * 65}@example.org",
        f"ada@{'a' * 250}.org",
        3,
        True,
        [],
    ],
    "contact.phone": ["call me", "<script>", "1" * 41, "12\n34", 3, True, [], {}],
    "contact.consent": [None, "yes", True, []],
    "contact.consent.advice": [False, None, "true", 1, "yes", []],
    "contact.consent.mail": [None, "true", 1, "yes", []],
    "contact.consent.model": [None, "false", 0, "no", []],
}
"""Path -> values that must be refused there (for an item of a list: whole lists that hold it)."""

WHOLE_LISTS = ("settings.0", "priorities.1", "tried.0")

CASES = [(path, value) for path, values in BAD.items() for value in values]
"""All of them, for the layer that holds the rules; whoever only asks that layer has a `HANDFUL`."""

HANDFUL: list[tuple[str, Any]] = [
    ("instrument", "guitar"),
    ("hold", None),
    ("strings", "4"),
    ("settings.0", ["pub"]),
    ("budget.amount", NAN),
    ("priorities", ["overall"]),
    ("own_bow.mass_g", 250.1),
    ("tried.0.ratings.clarity", 8),
    ("contact.email", "ada@example.org\r\nBcc: all@example.org"),
    ("contact.consent.advice", False),
]
"""One of each kind of rule: a choice, a rule between answers, a type, an item, no number, a list, a range, a rating, a text, a consent."""


def with_answer(path: str, value: Any, body: dict[str, Any] = GOOD) -> dict[str, Any]:
    """Return ``body`` with ``value`` at ``path``; for the paths of `WHOLE_LISTS` the list itself is replaced."""
    head, _, rest = path.partition(".")
    if not rest or path in WHOLE_LISTS:
        return {**body, head: value}
    inner = body[head]
    if isinstance(inner, list):
        _, _, rest = rest.partition(".")
        return {**body, head: [with_answer(rest, value, inner[0]), *inner[1:]]}
    return {**body, head: with_answer(rest, value, inner)}

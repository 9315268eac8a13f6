"""The API's operations by short names that stay, and how the answer of one leads to the next (OpenAPI 3.1, 4.8.20)."""

from typing import Any

TRIAL = "/api/v1/trials/{trial}"
TAGS = {
    "advice": "From a player's answers to a shortlist",
    "trials": "A trial from its composition to what came of it",
    "reading": "What the ids in messages stand for, and what the dealer has",
    "health": "Whether the service can answer",
}
OPERATIONS = {
    ("post", "/api/v1/advice"): ("advise", "advice"),
    ("post", "/api/v1/trials"): ("compose", "trials"),
    ("put", f"{TRIAL}/runs/{{run_id}}"): ("keep_sheet", "trials"),
    ("get", f"{TRIAL}/standing"): ("standing", "trials"),
    ("post", f"{TRIAL}/outcome"): ("outcome", "trials"),
    ("get", "/api/v1/enquiries"): ("enquiries", "reading"),
    ("get", "/api/v1/enquiries/{enquiry}"): ("enquiry", "reading"),
    ("get", "/api/v1/trials"): ("trials", "reading"),
    ("get", TRIAL): ("trial", "reading"),
    ("get", "/api/v1/range"): ("range", "reading"),
    ("get", "/api/v1/stock"): ("stock", "reading"),
    ("get", "/healthz"): ("health", "health"),
    ("get", "/health/live"): ("live", "health"),
    ("get", "/health/ready"): ("ready", "health"),
}
"""Of each the name and the tag; they stay, since programs that are written from a description call their functions so."""
_MADE, _ASKED = {"trial": "$response.body#/id"}, {"trial": "$request.path.trial"}
_LINKS: dict[tuple[str, str], dict[str, Any]] = {
    ("post", "/api/v1/advice"): {
        "compose": {
            "operationId": "compose",
            "requestBody": {"enquiry": "$response.body#/id", "copies": "$response.body#/trial/bring"},
            "description": "With a server key: a trial of the bows to bring",
        },
        "enquiry": {
            "operationId": "enquiry",
            "parameters": {"enquiry": "$response.body#/id"},
            "description": "With a server key: what was answered and advised",
        },
    },
    ("post", "/api/v1/trials"): {
        "keep_sheet": {
            "operationId": "keep_sheet",
            "parameters": _MADE,
            "requestBody": {"position": "$response.body#/runs/0/position", "letter": "$response.body#/runs/0/letter"},
            "description": "One sheet for each place of the order",
        },
        "trial": {"operationId": "trial", "parameters": _MADE},
        "standing": {"operationId": "standing", "parameters": _MADE},
        "outcome": {"operationId": "outcome", "parameters": _MADE},
    },
    ("put", f"{TRIAL}/runs/{{run_id}}"): {
        "standing": {"operationId": "standing", "parameters": _ASKED},
        "outcome": {"operationId": "outcome", "parameters": _ASKED},
    },
    **{
        ("get", f"/api/v1/{name}"): {
            "next": {
                "operationId": name,
                "parameters": {"after": "$response.body#/after"},
                "description": "The next page",
            }
        }
        for name in ("enquiries", "trials", "range", "stock")
    },
    ("get", "/api/v1/enquiries/{enquiry}"): {
        "trial": {"operationId": "trial", "parameters": {"trial": "$response.body#/trials/0"}},
        "compose": {
            "operationId": "compose",
            "requestBody": {"enquiry": "$response.body#/id", "copies": "$response.body#/advice/trial/bring"},
        },
    },
    ("get", TRIAL): {
        "standing": {"operationId": "standing", "parameters": _ASKED},
        "outcome": {"operationId": "outcome", "parameters": _ASKED},
    },
    ("get", f"{TRIAL}/standing"): {"outcome": {"operationId": "outcome", "parameters": _ASKED}},
}


def add_links(description: dict[str, Any]) -> dict[str, Any]:
    """Return the OpenAPI description with the names and links of its operations; raises ``KeyError`` for one without a name."""
    for path, operations in description["paths"].items():
        for method, operation in operations.items():
            operation["operationId"], tag = OPERATIONS[method, path]
            operation["tags"] = [tag]
            if (method, path) in _LINKS:
                operation["responses"]["200"]["links"] = _LINKS[method, path]
    description["tags"] = [{"name": name, "description": said} for name, said in TAGS.items()]
    return description

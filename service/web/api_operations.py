"""The API's operations by short names that stay, and how the answer of one leads to the next (OpenAPI 3.1, 4.8.20)."""

from typing import Any

TRIAL = "/api/v1/trials/{trial}"
NAMES = {
    ("post", "/api/v1/advice"): "advise",
    ("post", "/api/v1/trials"): "compose",
    ("put", f"{TRIAL}/runs/{{run_id}}"): "keep_sheet",
    ("get", f"{TRIAL}/standing"): "standing",
    ("post", f"{TRIAL}/outcome"): "outcome",
    ("get", "/api/v1/enquiries"): "enquiries",
    ("get", "/api/v1/enquiries/{enquiry}"): "enquiry",
    ("get", "/api/v1/trials"): "trials",
    ("get", TRIAL): "trial",
    ("get", "/api/v1/range"): "range",
    ("get", "/api/v1/stock"): "stock",
    ("get", "/healthz"): "health",
    ("get", "/health/live"): "live",
    ("get", "/health/ready"): "ready",
}
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
            operation["operationId"] = NAMES[method, path]
            if (method, path) in _LINKS:
                operation["responses"]["200"]["links"] = _LINKS[method, path]
    return description

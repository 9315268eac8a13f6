"""The advice document as the JSON API's answer."""

from collections.abc import Mapping
from typing import Any

from service.advice.reasons import OWN_BOW, Told, sentence
from service.advice.recommending import recommendation
from service.advice.remarks import cautions, notes
from service.advice.verdict import Document, headline

_OF_THE_TRIAL = ("copies", "runs", "minutes", "chance_one_beats_own_bow", "by_copies")
_FOR_OPERATORS = ("bring", "loved", "rejected")
"""What names bows of the stock."""


def reply(doc: Document, operator: bool = False) -> dict[str, Any]:
    """Return the answer to ``POST /api/v1/advice``; only an ``operator`` is told which serials to bring.

    A document of before there were verdicts has none in its answer.
    """
    verdict = doc.get("verdict")
    return {
        "id": doc["id"],
        "model": dict(doc["model"]),
        **({"verdict": dict(verdict) | {"text": headline(doc)}} if verdict else {}),
        "shortlist": [_entry(entry, doc) for entry in doc["shortlist"]],
        **{name: doc[name] for name in ("more", "tried") if verdict and name in doc},
        "trial": _trial(doc, operator) if doc["trial"] else None,
        "cautions": cautions(doc),
        "notes": notes(doc),
    }


def _entry(entry: Mapping[str, Any], doc: Document) -> dict[str, Any]:
    told = {kind: [_told(effect, entry, doc) for effect in entry.get(kind, ())] for kind in ("reasons", "weaknesses")}
    return dict(entry) | told


def _told(effect: Told, entry: Mapping[str, Any], doc: Document) -> dict[str, Any]:
    reference = None if doc["own_bow"]["state"] == "none" else OWN_BOW
    return {"against": reference} | dict(effect) | {"text": sentence(effect, entry, doc)}


def _trial(doc: Document, operator: bool) -> dict[str, Any]:
    keys = (*_OF_THE_TRIAL, *(_FOR_OPERATORS if operator else ()))
    told = {key: doc["trial"][key] for key in keys if key in doc["trial"]}
    # Documents of before the rows told how many bows they hold are of cases of just their number.
    told["by_copies"] = [{"bows": row["copies"], **row} for row in told["by_copies"]]
    return told | {"recommendation": recommendation(doc)}

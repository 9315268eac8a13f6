"""The advice document as the JSON API's answer."""

from collections.abc import Mapping
from typing import Any

from service.words.remarks import cautions, notes
from service.words.sentences import Document, effect_sentence, recommendation


def reply(doc: Document, operator: bool = False) -> dict[str, Any]:
    """Return the answer to ``POST /api/v1/advice``; only an ``operator`` is told which serials to bring."""
    return {
        "id": doc["id"],
        "model": dict(doc["model"]),
        "shortlist": [_entry(entry, doc) for entry in doc["shortlist"]],
        "trial": _trial(doc, operator) if doc["trial"] else None,
        "cautions": cautions(doc),
        "notes": notes(doc),
    }


def _entry(entry: Mapping[str, Any], doc: Document) -> dict[str, Any]:
    told = {kind: [_told(effect, doc) for effect in entry.get(kind, ())] for kind in ("reasons", "weaknesses")}
    return dict(entry) | told


def _told(effect: Mapping[str, Any], doc: Document) -> dict[str, Any]:
    return dict(effect) | {"text": effect_sentence(effect, doc)}


def _trial(doc: Document, operator: bool) -> dict[str, Any]:
    keys = ("copies", "runs", "minutes", "chance_one_beats_own_bow", "by_copies", *(("bring",) if operator else ()))
    told = {key: doc["trial"][key] for key in keys if key in doc["trial"]}
    # Documents of before the rows told how many bows they hold are of cases of just their number.
    told["by_copies"] = [{"bows": row["copies"], **row} for row in told["by_copies"]]
    return told | {"recommendation": recommendation(doc)}

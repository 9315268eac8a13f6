"""An enquiry computed anew by the version of the model that it was made with, whatever is in use by now."""

from functools import partial
from pathlib import Path
from typing import Any

import pytest

from model.preference import PreferenceModel
from service.advice import advise
from service.core.database import Database
from service.core.errors import ConflictError
from service.modelling import fits, versions
from service.questionnaire.forms import check
from service.tables import ModelVersion
from tests import factories

ANSWERS = {
    "instrument": "violin",
    "budget": {"amount": 2600, "currency": "EUR"},
    "priorities": ["response", "tone"],
    "own_bow": {"kind": "wood", "mass_g": 61, "ratings": {"overall": 4, "response": 3}},
    "tried": [{"copy": "VN-1", "ratings": {"overall": 6}}],
}


@pytest.fixture
def filled(database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Database:
    """A small range and four players, too few for a check-up."""
    monkeypatch.setattr(fits, "MODEL", partial(PreferenceModel, tastes=False))
    factories.load(database, tmp_path / "given", factories.history(players=4, copies=5))
    return database


def asked(database: Database) -> dict[str, Any]:
    with database.writing() as session:
        return advise.advise(session, check(ANSWERS))


def anew(database: Database, enquiry: str) -> dict[str, Any]:
    with database.reading() as session:
        return advise.recompute(session, enquiry)


def test_an_enquiry_is_the_same_after_other_versions_were_adopted(filled: Database, tmp_path: Path) -> None:
    fits.fit(filled)
    before = asked(filled)
    assert before["model"]["version"] == 1
    more = factories.history(players=4, copies=5)
    for row in more["runs"]:
        row |= {"trial": f"more {row['trial']}", "player": f"more {row['player']}", "overall": "7"}
    factories.load(filled, tmp_path / "more", more)
    fits.fit(filled)
    after = asked(filled)
    assert after["model"]["version"] == 2
    assert after["shortlist"] != before["shortlist"]
    assert anew(filled, before["id"]) == before
    assert anew(filled, after["id"]) == after


def test_an_enquiry_made_before_the_first_fit_is_the_same_after_it(filled: Database) -> None:
    before = asked(filled)
    fits.fit(filled)
    assert before["model"]["version"] is None
    assert anew(filled, before["id"]) == before


def test_computing_anew_changes_nothing(filled: Database) -> None:
    fits.fit(filled)
    before = asked(filled)
    anew(filled, before["id"])
    with filled.reading() as session:
        address = advise.address_of(session, before["id"])
        assert address is not None
        stored = advise.stored(session, address)
        assert stored is not None
        assert stored.advice == before


def test_an_enquiry_that_is_not_there_is_told(filled: Database) -> None:
    with pytest.raises(ConflictError, match="There is no enquiry nobody"):
        anew(filled, "nobody")


def test_a_version_that_cannot_be_read_is_told(filled: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    fits.fit(filled)
    before = asked(filled)
    with filled.writing() as session:
        session.get_one(ModelVersion, 1).artifact = b"half"
    monkeypatch.setattr(versions, "_memory", type(versions._memory)())
    with pytest.raises(ConflictError, match="Version 1 of the model cannot be read: this is not a whole fitted model"):
        anew(filled, before["id"])

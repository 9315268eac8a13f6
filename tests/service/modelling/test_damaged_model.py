"""A model that cannot be read keeps nobody from an advice: an earlier one or the beliefs stand in, and it is said."""

from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest
from sqlalchemy import update

from model.preference import PreferenceModel
from service.advice import advise
from service.modelling import fits, versions
from service.questionnaire.forms import check
from service.tables import ModelVersion
from tests import factories
from tests.service import cast
from tests.service.cast import Desk
from tests.service.modelling.test_recompute import ANSWERS
from tests.service.page import Page
from tests.service.privacy.test_retention_pages import alarm

EARLIER = "What was learnt last from trials cannot be read just now; this rests on what was known before that."
BELIEFS = "What was learnt from trials cannot be read just now; this rests on common knowledge of bows alone."


@pytest.fixture
def desk(tmp_path: Path, _migrated_file: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Desk]:
    """A desk whose range was rated by a few players, with two versions of the model."""
    monkeypatch.setattr(fits, "MODEL", partial(PreferenceModel, tastes=False))
    with cast.opened(tmp_path, _migrated_file) as desk:
        factories.load(desk.database, tmp_path / "given", factories.history(players=4, copies=5))
        for _ in range(2):
            fits.fit(desk.database)
        yield desk


def damage(desk: Desk, monkeypatch: pytest.MonkeyPatch, *numbers: int) -> None:
    with desk.database.writing() as session:
        session.execute(update(ModelVersion).where(ModelVersion.id.in_(numbers)).values(artifact=b"PK half a file"))
    monkeypatch.setattr(versions, "_memory", type(versions._memory)())  # as a process that starts afterwards
    monkeypatch.setattr(versions, "_instead", {})
    monkeypatch.setattr(versions, "_unreadable", set())


@pytest.mark.parametrize(
    ("numbers", "stands_in", "note"), [((2,), 1, EARLIER), ((1, 2), None, BELIEFS)], ids=["earlier", "beliefs"]
)
def test_an_advice_is_given_and_says_in_a_visitors_words_what_it_rests_on(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, numbers: tuple[int, ...], stands_in: int | None, note: str
) -> None:
    whole = desk.client.advice(ANSWERS)
    assert note not in whole.json()["notes"]
    damage(desk, monkeypatch, *numbers)
    reply = desk.client.advice(ANSWERS)
    assert reply.status_code == whole.status_code
    told = reply.json()
    assert told["model"]["version"] == stands_in
    assert told["notes"][0] == note
    assert not any(" 0 trials" in sentence or "no trial" in sentence for sentence in told["notes"])
    assert [entry["tier"] for entry in told["shortlist"]]


def test_what_was_advised_meanwhile_is_computed_anew_as_it_was(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    for numbers in ((2,), (1, 2)):
        damage(desk, monkeypatch, *numbers)
        with desk.database.writing() as session:
            before = advise.advise(session, check(ANSWERS))
        with desk.database.reading() as session:
            assert advise.recompute(session, before["id"]) == before


def test_the_desk_says_which_version_is_damaged_to_those_who_look_after_it(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    owner, adviser = desk.sign_in("owner"), desk.sign_in("adviser")
    assert alarm(owner.read("/desk")) == ""
    damage(desk, monkeypatch, 2)
    assert "Version 2 is in use and cannot be read. Version 1 stands in" in alarm(owner.read("/desk"))
    assert alarm(adviser.read("/desk")) == ""
    damage(desk, monkeypatch, 1, 2)
    assert "The starting values stand in" in alarm(owner.read("/desk"))
    assert "Version 2 is in use and cannot be read" in Page(owner.get("/desk/model")).text

"""The maker describes a tier at the desk: who may, what is kept, what two at once do, and that the advice hears it."""

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import select

from model.domain.vocabulary import CRITERIA, Criterion
from service import tables
from service.core import audit
from service.core.scopes import AllDealers
from service.modelling import catalogue, fits, versions
from tests.service import cast
from tests.service.cast import Desk
from tests.service.page import Page

NOTHING: dict[str, str] = {str(criterion): "" for criterion in CRITERIA}
UNSAID = ",,,,,,,"


@pytest.fixture
def desk(tmp_path: Path, _migrated_file: Path) -> Iterator[Desk]:
    with cast.opened(tmp_path, _migrated_file) as opened:
        yield opened


def described(desk: Desk, tier: str = "bramble") -> dict[str, int]:
    with desk.database.reading() as session:
        return {str(of): step for of, step in catalogue.current(session).range.tiers[tier].character.items()}


def test_what_the_maker_says_is_kept_shown_and_on_record(desk: Desk) -> None:
    workshop = desk.sign_in("workshop")
    page = workshop.submit(
        "/desk/range/bramble", {**NOTHING, "seen": UNSAID, "response": "2", "ease": "-1", "tone": "0"}
    )
    assert described(desk) == {"response": 2, "ease": -1, "tone": 0}
    assert "What is said of the model is kept." in page.root.text
    checked = {e.get("name"): e.get("value") for e in page.all("input") if "checked" in e.attributes}
    assert checked == {**NOTHING, "response": "2", "ease": "-1", "tone": "0"}
    assert "Speaks much sooner and more work" in workshop.read("/desk/range").root.text
    with desk.database.reading() as session:
        entry = audit.entries(session, AllDealers()).rows[0]
    assert (entry.did, entry.about, entry.dealer) == ("said what a model is meant to be", "tier bramble", None)
    assert entry.detail == {"was": {}, "now": {"response": 2, "ease": -1, "tone": 0}}


def test_the_same_words_once_more_are_no_change(desk: Desk) -> None:
    owner = desk.sign_in("owner")
    for seen in (UNSAID, "2,,,,,,,"):
        owner.submit("/desk/range/bramble", {**NOTHING, "seen": seen, "overall": "2"})
    with desk.database.reading() as session:
        assert [each.did for each in audit.entries(session, AllDealers()).rows].count(
            "said what a model is meant to be"
        ) == 1


def test_who_was_overtaken_is_told_and_loses_nothing(desk: Desk) -> None:
    one, other = desk.sign_in("workshop"), desk.sign_in("owner")
    one.submit("/desk/range/bramble", {**NOTHING, "seen": UNSAID, "response": "2"})
    late = other.post("/desk/range/bramble", {**NOTHING, "seen": UNSAID, "ease": "1"})
    assert late.status_code == 409
    assert described(desk) == {"response": 2}
    page = Page(late)
    assert "Somebody else has changed what is said of this model" in page.root.text
    assert "1" in [e.get("value") for e in page.all("input") if e.get("name") == "ease" and "checked" in e.attributes]
    (seen,) = [e.get("value") for e in page.all("input") if e.get("name") == "seen"]
    other.submit("/desk/range/bramble", {**NOTHING, "seen": seen, "ease": "1"})
    assert described(desk) == {"ease": 1}


@pytest.mark.parametrize(
    "fields",
    [
        {**NOTHING, "response": "3"},
        {**NOTHING, "response": "much"},
        {**NOTHING, "response": "١"},
        {name: "" for name in NOTHING if name != "response"},
    ],
    ids=["too far", "a word", "another script's digit", "cut short"],
)
def test_a_form_that_is_not_ours_changes_nothing_and_names_the_field(desk: Desk, fields: dict[str, str]) -> None:
    workshop = desk.sign_in("workshop")
    workshop.submit("/desk/range/bramble", {**NOTHING, "seen": UNSAID, "response": "1"})
    reply = workshop.post("/desk/range/bramble", {**fields, "seen": ",1,,,,,,"})
    assert reply.status_code == 422
    assert "Response: Choose one of the answers." in Page(reply).root.text
    assert described(desk) == {"response": 1}


def test_a_tier_that_there_is_not_is_not_there(desk: Desk) -> None:
    reply = desk.sign_in("workshop").post("/desk/range/nobodys", {**NOTHING, "seen": UNSAID})
    assert reply.status_code == 404
    with desk.database.reading() as session:
        assert session.scalars(select(tables.TierCharacter)).all() == []


def test_words_count_at_once_before_a_model_and_from_the_next_fit_after(desk: Desk) -> None:
    workshop = desk.sign_in("workshop")
    said = {**NOTHING, "seen": UNSAID, "response": "2"}
    assert "counts at once" in workshop.submit("/desk/range/bramble", said).root.text
    response = CRITERIA.index(Criterion.RESPONSE)

    def expected(tier: str) -> float:
        with desk.database.reading() as session:
            posterior = catalogue.current(session).view(versions.current(session)).posterior
            column = [each.name for each in posterior.design.columns].index(f"tier {tier}")
            return float(posterior.coef[response, column])

    assert expected("bramble") == pytest.approx(0.6)
    with desk.database.writing() as session:
        player = tables.Player(key="P1")
        session.add(player)
        session.flush()
        trial = tables.Trial(
            key="T1", player=player.id, on=dt.date(2026, 3, 2), instrument="double_bass", hold="german"
        )
        session.add(trial)
        session.flush()
        session.add(tables.Run(trial=trial.id, position=1, rater="player", revision=1, copy="DB-bramble-0", response=5))
    fits.fit(desk.database)
    assert "The estimate in use was made with what is said here" in workshop.read("/desk/range/bramble").root.text
    before = expected("juniper")
    waits = workshop.submit("/desk/range/juniper", {**NOTHING, "seen": UNSAID, "response": "-2"})
    assert "counts from the next fit" in waits.root.text
    assert "counts from the next fit" in workshop.read("/desk/range").root.text
    assert expected("juniper") == before
    fits.fit(desk.database)
    assert expected("juniper") < before - 0.4

"""What the desk reads: each shop its own enquiries, players and trials, whether composed here or read from a file."""

import datetime as dt
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select, update
from sqlalchemy.orm import Session

from model.features import bench_traits
from model.trial import Action, Ranked, RankReason, Rationale, RationaleCode, Recommendation
from service import tables
from service.advice import advise
from service.core.database import Database
from service.core.errors import NotFoundError
from service.questionnaire.forms import check
from service.trials import composing_words, desk_reads, lifecycle, standing_words
from tests import factories
from tests.service.trial_cast import BASS, BOWS, SHOP, compose, composition, open_shop, rate

TODAY = dt.datetime.now(dt.UTC).date()
CONTACT = {"consent": {"advice": True, "mail": False, "model": True}, "name": "Ada Bow", "email": "ada@example.org"}


@pytest.fixture
def shop(any_database: Database) -> Database:
    return open_shop(any_database)


def ask(session: Session, dealer: str | None, **changes: Any) -> str:
    """Advise a player and return the enquiry's id."""
    body = BASS | changes | ({"dealer": dealer} if dealer else {})
    return str(advise.advise(session, check(body))["id"])


def test_each_shop_sees_its_own_enquiries_only(shop: Database) -> None:
    with shop.writing() as session:
        here, there, nowhere = (ask(session, dealer) for dealer in (SHOP, "quay", None))
        assert [row.id for row in desk_reads.enquiries(session, SHOP).rows] == [here]
        assert [row.id for row in desk_reads.enquiries(session, "quay", show="all").rows] == [there]
        for foreign in (there, nowhere, "unknown"):
            with pytest.raises(NotFoundError):
                desk_reads.enquiry(session, SHOP, foreign)
            with pytest.raises(NotFoundError):
                desk_reads.settle(session, None, SHOP, foreign)


def test_where_there_is_one_shop_enquiries_to_nobody_in_particular_are_its_own(database: Database) -> None:
    open_shop(database)
    with database.writing() as session:
        session.get_one(tables.Copy, "DB-quay-0").dealer = None
        session.delete(session.get_one(tables.Dealer, "quay"))
        session.flush()
        asked = ask(session, None)
        assert [row.id for row in desk_reads.enquiries(session, SHOP).rows] == [asked]


def test_an_enquiry_is_new_until_it_is_settled_or_has_a_trial(shop: Database) -> None:
    with shop.writing() as session:
        settled, composed, waiting = (ask(session, SHOP, contact=CONTACT) for _ in range(3))
        desk_reads.settle(session, None, SHOP, settled)
        desk_reads.settle(session, None, SHOP, settled)
        key = compose(session, enquiry=composed)
        assert [row.id for row in desk_reads.enquiries(session, SHOP).rows] == [waiting]
        assert {row.id for row in desk_reads.enquiries(session, SHOP, show="all").rows} == {settled, composed, waiting}
        page = desk_reads.enquiry(session, SHOP, composed)
        assert page.row.trials == ((key, 1),)
        assert (page.row.name, page.row.budget, page.row.currency) == ("Ada Bow", 2600, "EUR")
        assert page.document["id"] == composed
        lifecycle.cancel(session, None, SHOP, key)
        assert {row.id for row in desk_reads.enquiries(session, SHOP).rows} == {composed, waiting}
        noted = (
            select(func.count()).select_from(tables.AuditEntry).where(tables.AuditEntry.did == "put an enquiry aside")
        )
        assert session.scalar(noted) == 1


def test_players_are_found_by_name_address_or_key_and_only_here(shop: Database) -> None:
    with shop.writing() as session:
        compose(session, contact=CONTACT)
        compose(session, copies=["DB-juniper-3"])
        compose(session, "quay", copies=["DB-quay-0"], contact=CONTACT | {"name": "Bo Bow"})
        everyone = desk_reads.players(session, SHOP).rows
        ada = next(row for row in everyone if row.name)
        assert len(everyone) == 2
        # Keys are drawn: this one, of somebody else, has the name's letters in its midst.
        other = next(row for row in everyone if not row.name)
        session.execute(
            update(tables.Player).where(tables.Player.key == other.key).values(key="03d1d0b1-89b0-433d-adaf-00")
        )
        for search in ("ada", "EXAMPLE.org", ada.key[:8]):
            assert [row.key for row in desk_reads.players(session, SHOP, search).rows] == [ada.key]
        assert desk_reads.players(session, SHOP, "100%").rows == ()
        page = desk_reads.player(session, SHOP, ada.key)
        assert [row.who for row in page.trials] == ["Ada Bow"]
        with pytest.raises(NotFoundError):
            desk_reads.player(session, "quay", ada.key)


def test_trials_are_listed_by_state_newest_first(shop: Database) -> None:
    with shop.writing() as session:
        keys = [compose(session, on=(TODAY + dt.timedelta(days=days)).isoformat()) for days in (0, 5, 9)]
        lifecycle.open_(session, None, SHOP, keys[0])
        rate(session, keys[0], dict.fromkeys((None, *BOWS), 5), places=3)
        lifecycle.cancel(session, None, SHOP, keys[2])
        assert [row.key for row in desk_reads.trials(session, SHOP).rows] == keys[::-1]
        row = desk_reads.trials(session, SHOP, "open").rows[0]
        assert (row.key, row.copies, row.sheets_in, row.sheets_of) == (keys[0], 3, 3, 6)
        home = desk_reads.home(session, SHOP, TODAY)
        assert desk_reads.trials(session, "quay").rows == ()
    assert [row.key for row in home.open] == [keys[0]]
    assert [row.key for row in home.coming] == [keys[1]]
    assert home.today == ()


def test_a_trial_planned_for_today_or_before_is_on_todays_list(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session, on=TODAY.isoformat())
        assert [row.key for row in desk_reads.home(session, SHOP, TODAY).today] == [key]
        assert [row.key for row in desk_reads.home(session, SHOP, TODAY + dt.timedelta(days=2)).today] == [key]


def test_sheets_that_staff_should_look_at_are_flagged(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session, on=TODAY.isoformat())
        lifecycle.open_(session, None, SHOP, key)
        odd = {"other_device": False, "after_reveal": False, "": True}
        for number, (flags, counts) in enumerate(odd.items()):
            session.add(
                tables.Sheet(
                    trial=composition(session, key).trial,
                    run=f"r{number}",
                    position=1,
                    letter="K",
                    rater="player",
                    revision=1,
                    ratings={"overall": 5},
                    received_at=dt.datetime.now(dt.UTC),
                    sender="tablet t",
                    digest=str(number),
                    flags=flags,
                    counts=counts,
                )
            )
        session.flush()
        page = desk_reads.trial(session, SHOP, key)
        assert [(sheet.flags, sheet.counts) for sheet in page.sheets] == [
            ("other_device", False),
            ("after_reveal", False),
            ("", True),
        ]
        assert [row.key for row in desk_reads.home(session, SHOP, TODAY).flagged] == [key]
    assert page.flags == (
        "More than one sheet came for one bow; look which of them counts.",
        "A sheet was changed after the key was revealed; the blind one counts.",
    )


def test_a_trial_from_a_file_can_be_read_and_nothing_done_with_it(database: Database, tmp_path: Path) -> None:
    rows = factories.history(players=1)
    for row in rows["runs"]:
        row["dealer"] = SHOP
    factories.load(database, tmp_path, rows)
    with database.reading() as session:
        page = desk_reads.trial(session, SHOP, "T1")
        assert desk_reads.trials(session, SHOP).rows == ()
        assert [row.key for row in desk_reads.player(session, SHOP, "P1").trials] == ["T1"]
        with pytest.raises(NotFoundError):
            desk_reads.trial(session, "quay", "T1")
    assert page.row.number is None
    assert page.may == frozenset()
    assert [slot.copy for slot in page.slots] == [None, "VN-1", "VN-2", "VN-3"]


# Words


def ranked(why: RankReason, trait: str | None = None, **changes: Any) -> Ranked:
    parts: dict[str, Any] = {"bench": {}, "wish": {}, "own": 0.0, "rated": True, "tried": 2, "liked": 0.0} | changes
    return Ranked("DB-1", "juniper", 4.5, 3.0, 6.0, 0.9, 0.0, why=why, trait=trait, **parts)


@pytest.mark.parametrize("why", list(RankReason))
def test_every_reason_for_a_bow_has_a_sentence(why: RankReason) -> None:
    trait = "mass" if why in (RankReason.WISH, RankReason.BENCH) else None
    said = composing_words.reason(ranked(why, trait))
    assert said.endswith(".")
    assert "{" not in said


def test_every_trait_of_the_bench_has_words_as_a_reason() -> None:
    assert all("{" not in composing_words.reason(ranked(RankReason.BENCH, name)) for name in bench_traits.TRAIT_NAMES)
    wished = [bench_traits.TRAIT_NAMES[trait] for trait, _ in bench_traits.WISHES]
    assert all(composing_words.reason(ranked(RankReason.WISH, name)) for name in wished)


@pytest.mark.parametrize(
    ("liked", "tried", "said"),
    [
        (0.3, 1, "Rated in one trial, and liked better than its model as a whole."),
        (-0.3, 3, "Rated in three trials, and liked less than its model as a whole."),
        (0.0, 2, "Rated in two trials, and liked about as its model as a whole."),
    ],
)
def test_earlier_trials_are_told_by_number_and_liking(liked: float, tried: int, said: str) -> None:
    assert composing_words.reason(ranked(RankReason.LIKED, liked=liked, tried=tried)) == said
    assert composing_words.reason(ranked(RankReason.OWN_RATINGS, liked=liked, tried=tried)).endswith(said)


@pytest.mark.parametrize(
    ("missing", "workshop", "said"),
    [
        (2, 0, "Two more Juniper are wanted than are at hand. The workshop has none either."),
        (1, 2, "One more Juniper is wanted than is at hand. The workshop has two Juniper."),
        (0, 1, "The workshop has one Juniper."),
        (0, 2, "The workshop has two Juniper."),
    ],
)
def test_what_is_lacking_is_said_with_what_the_workshop_has(missing: int, workshop: int, said: str) -> None:
    assert composing_words.lacking("Juniper", missing, workshop) == said


NAMES = {"DB-1": "bow C", "DB-2": "bow F", None: "the own bow"}
VALUES = {"unplayed": 2.0, "plays": 1.0, "probability": 0.82, "lead": 0.24, "gain": 0.31}
SAID = [
    (
        Action.GO_ON,
        RationaleCode.BOWS_TO_COME,
        (),
        "Go on with the next bow. Two bows are still to be played; that one of them is",
    ),
    (
        Action.GO_ON,
        RationaleCode.PLAYS_TO_COME,
        (),
        "Go on with the next bow. One play is left, and that the first so far is",
    ),
    (
        Action.REPLAY,
        RationaleCode.TOO_CLOSE,
        ("DB-1", "DB-2"),
        "Play bow C and bow F again. They are too close: 0.2 points apart",
    ),
    (
        Action.BRING_MORE,
        RationaleCode.MORE_MAY_BE_BETTER,
        (),
        "Bring one more bow of the model Juniper. A bow not here may well be better",
    ),
    (
        Action.STOP,
        RationaleCode.CLEAR,
        ("DB-1",),
        "Stop here: bow C is the one. That it is the best one here is likely (82",
    ),
    (
        Action.STOP,
        RationaleCode.NOTHING_TO_WIN,
        (None,),
        "Stop here: the own bow is the one to stay with. That it is the best",
    ),
]


@pytest.mark.parametrize(("say", "because", "bows", "begins"), SAID)
def test_a_recommendation_is_said_with_its_reason(
    say: Action, because: RationaleCode, bows: tuple[str | None, ...], begins: str
) -> None:
    said = Recommendation(say, Rationale(because, VALUES), bows=bows, tier="juniper", copies=1)
    text = standing_words.text(said, NAMES.__getitem__, "Juniper")
    assert text.startswith(begins)
    plain = standing_words.text(said, NAMES.__getitem__, "Juniper", figures=False)
    assert "%" not in plain


def test_a_leader_with_the_lower_mark_is_explained() -> None:
    said = Recommendation(Action.STOP, Rationale(RationaleCode.CLEAR, VALUES), bows=("DB-1",), differs_from_marks=True)
    text = standing_words.text(said, NAMES.__getitem__, None)
    assert text.endswith("Another bow has the higher mark so far, but a single mark is not trusted that far.")


def test_drift_and_repeat_are_said_by_points() -> None:
    assert standing_words.drift(None) is None
    assert standing_words.repeat(None) is None
    up = standing_words.drift(1.0)
    assert up == "The own bow was rated one point higher at the end than before: the scale moved up during the trial."
    apart = standing_words.repeat(2.0)
    assert apart is not None
    assert "its marks are two points apart" in apart

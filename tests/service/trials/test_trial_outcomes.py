"""What came of a trial: the stock follows, contradictions are refused, and the next fit and the next trial learn from it."""

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from model.domain.vocabulary import Criterion, OutcomeKind
from service import migrations, tables
from service.core.database import Database
from service.core.errors import ConflictError, InvalidInputError, NotFoundError
from service.inventory import files
from service.modelling import fits, model_records
from service.players import known as marks
from service.questionnaire.forms import check
from service.questionnaire.sheet_fields import SheetIn
from service.trials import composing, desk_reads, lifecycle, outcomes, sheets, standing
from service.trials.prices_paid import PricePaid
from tests.service.trial_cast import BASS, BOWS, SHOP, compose, composition, open_shop, rate, slots, status

TODAY = dt.datetime.now(dt.UTC).date()
YESTERDAY = TODAY - dt.timedelta(days=1)
MARKS: dict[str | None, int] = {None: 4, BOWS[0]: 5, BOWS[1]: 6, BOWS[2]: 2}


@pytest.fixture
def shop(database: Database) -> Database:
    return open_shop(database)


def played(session: Session, marks: dict[str | None, int] | None = None, **changes: Any) -> str:
    """Compose a trial for yesterday, open it and let every bow be rated."""
    key = compose(session, on=YESTERDAY.isoformat(), due_back=TODAY.isoformat(), **changes)
    lifecycle.open_(session, None, SHOP, key)
    rate(session, key, marks or MARKS)
    return key


def record(
    session: Session,
    key: str,
    outcome: str,
    copy: str | None = None,
    reason: str | None = None,
    on: dt.date = TODAY,
    paid: PricePaid = PricePaid(),  # noqa: B008 - nothing is said of the money
) -> None:
    outcomes.record(session, None, SHOP, key, outcome, copy, reason, on, paid)


def refused(call: Callable[[], object]) -> str:
    with pytest.raises(ConflictError) as caught:
        call()
    return str(caught.value)


# The stock follows


def test_a_bow_that_is_kept_is_sold_and_the_others_are_back(any_database: Database) -> None:
    shop = open_shop(any_database)
    with shop.writing() as session:
        key = played(session)
        record(session, key, "kept", BOWS[1], "sound")
        record(session, key, "kept", BOWS[1], "sound")
        page = desk_reads.trial(session, SHOP, key)
        assert [status(session, bow) for bow in BOWS] == ["in_stock", "sold", "in_stock"]
        told = model_records.read_outcomes(session)
    assert page.row.state == "closed"
    assert page.flags == ()
    assert [row.condition_back for row in page.case] == [None, "kept", None]
    assert [(row.outcome, row.copy, row.reason, row.revision) for row in page.outcomes] == [
        (OutcomeKind.KEPT, BOWS[1], "sound", 1)
    ]
    assert [(each.trial, each.copy) for each in told] == [(key, BOWS[1])]


def test_a_bow_that_is_kept_by_post_leaves_the_others_out_until_they_are_back(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session, place="post", country="DE", on=TODAY.isoformat())
        lifecycle.send(session, None, SHOP, key, dict.fromkeys(BOWS, "as new"))
        record(session, key, "kept", BOWS[1])
        assert [status(session, bow) for bow in BOWS] == ["on_trial", "sold", "on_trial"]
        lifecycle.take_back(session, None, SHOP, key, {BOWS[0]: "as new", BOWS[2]: "as new"})
        assert [status(session, bow) for bow in BOWS] == ["in_stock", "sold", "in_stock"]


def test_a_bow_brought_back_is_in_stock_again(shop: Database) -> None:
    with shop.writing() as session:
        key = played(session)
        record(session, key, "kept", BOWS[1], on=YESTERDAY)
        record(session, key, "returned", BOWS[1], "handling")
        assert status(session, BOWS[1]) == "in_stock"
        assert desk_reads.trial(session, SHOP, key).row.outcome is OutcomeKind.RETURNED


def test_none_kept_closes_the_trial_and_frees_every_bow(shop: Database) -> None:
    with shop.writing() as session:
        key = played(session)
        record(session, key, "none", reason="price")
        assert {status(session, bow) for bow in BOWS} == {"in_stock"}
        assert desk_reads.home(session, SHOP, TODAY).without_outcome == ()


def test_a_closed_trial_without_an_outcome_waits_on_the_desk(shop: Database) -> None:
    with shop.writing() as session:
        key = played(session)
        lifecycle.close(session, None, SHOP, key)
        assert [row.key for row in desk_reads.home(session, SHOP, TODAY).without_outcome] == [key]


# Contradictions and corrections


def test_what_contradicts_an_earlier_outcome_is_refused_with_a_sentence(shop: Database) -> None:
    with shop.writing() as session:
        key = played(session)
        said = refused(lambda: record(session, key, "returned", BOWS[1]))
        assert said == "DB-juniper-0 was not kept before that day, so it cannot have been brought back."
        record(session, key, "kept", BOWS[1], on=YESTERDAY)
        said = refused(lambda: record(session, key, "kept", BOWS[1]))
        assert said.startswith("DB-juniper-0 was recorded as kept on ")
        for outcome in ("none", "more_asked"):
            assert refused(lambda: record(session, key, outcome)).startswith("DB-juniper-0 was kept on ")  # noqa: B023 - called at once
        assert len(desk_reads.trial(session, SHOP, key).outcomes) == 1


def test_kept_before_none_was_told_is_refused(shop: Database) -> None:
    with shop.writing() as session:
        key = played(session)
        record(session, key, "none")
        assert refused(lambda: record(session, key, "kept", BOWS[1])).startswith("On ")


@pytest.mark.parametrize(
    ("outcome", "copy", "reason", "on", "path"),
    [
        ("kept", "DB-juniper-3", None, TODAY, "copy"),
        ("kept", None, None, TODAY, "copy"),
        ("none", BOWS[0], None, TODAY, "copy"),
        ("bought", None, None, TODAY, "outcome"),
        ("none", None, "weather", TODAY, "reason"),
        ("none", None, None, TODAY - dt.timedelta(days=9), "on"),
        ("none", None, None, TODAY + dt.timedelta(days=9), "on"),
    ],
)
def test_an_outcome_that_cannot_be_names_its_field(
    shop: Database, outcome: str, copy: str | None, reason: str | None, on: dt.date, path: str
) -> None:
    with shop.writing() as session:
        key = played(session)
        with pytest.raises(InvalidInputError) as caught:
            record(session, key, outcome, copy, reason, on)
        assert [problem.path for problem in caught.value.problems] == [path]
        assert composition(session, key).state == "open"


def test_another_reason_is_a_new_revision(shop: Database) -> None:
    with shop.writing() as session:
        key = played(session)
        record(session, key, "none", reason="price")
        record(session, key, "none", reason="undecided")
        told = desk_reads.trial(session, SHOP, key).outcomes
        kept = session.scalars(select(tables.Outcome.reason).order_by(tables.Outcome.revision)).all()
    assert [(row.reason, row.revision) for row in told] == [("undecided", 2)]
    assert kept == ["price", "undecided"]


def test_a_mistake_is_corrected_stock_and_history_follow_and_the_record_keeps_what_stood(shop: Database) -> None:
    with shop.writing() as session:
        key = played(session)
        record(session, key, "kept", BOWS[0], "sound")
        wrong = ("kept", BOWS[0], TODAY)
        outcomes.correct(session, None, SHOP, key, wrong, "kept", BOWS[1], "sound", TODAY)
        assert [status(session, bow) for bow in BOWS] == ["in_stock", "sold", "in_stock"]
        assert [each.copy for each in model_records.read_outcomes(session)] == [BOWS[1]]
        assert [row.revision for row in desk_reads.trial(session, SHOP, key).outcomes] == [2]
        entry = session.scalars(
            select(tables.AuditEntry).where(tables.AuditEntry.did == "corrected what came of a trial")
        ).one()
        assert entry.detail["was"] == {"outcome": "kept", "copy": BOWS[0], "reason": "sound", "on": TODAY.isoformat()}
        with pytest.raises(NotFoundError):
            outcomes.correct(session, None, SHOP, key, wrong, "none", None, None, TODAY)


def test_a_price_paid_outlives_a_mistaken_bow_and_goes_with_a_sale_that_was_none(shop: Database) -> None:
    with shop.writing() as session:
        key = played(session)
        record(session, key, "kept", BOWS[0], paid=PricePaid(Decimal(2300), "in two parts"))
        outcomes.correct(session, None, SHOP, key, ("kept", BOWS[0], TODAY), "kept", BOWS[1], None, TODAY)
        (row,) = desk_reads.trial(session, SHOP, key).outcomes
        assert (row.copy, row.price, row.currency, row.note) == (BOWS[1], Decimal(2300), "EUR", "in two parts")
        outcomes.correct(session, None, SHOP, key, ("kept", BOWS[1], TODAY), "none", None, "price", TODAY)
        (row,) = desk_reads.trial(session, SHOP, key).outcomes
        assert (row.outcome, row.price, row.note) == ("none", None, "in two parts")
        was = select(tables.AuditEntry.detail).where(tables.AuditEntry.did == "corrected what came of a trial")
        assert [entry["was"]["price"] for entry in session.scalars(was)] == ["2300", "2300"]


def test_a_correction_that_cannot_be_leaves_all_as_it_was(shop: Database) -> None:
    with shop.writing() as session:
        key = played(session)
        record(session, key, "kept", BOWS[0])
    with shop.writing() as session:
        wrong = ("kept", BOWS[0], TODAY)
        with pytest.raises(InvalidInputError):  # and what the page then commits is nothing
            outcomes.correct(session, None, SHOP, key, wrong, "kept", "DB-juniper-3", None, TODAY)
    with shop.reading() as session:
        assert [row.copy for row in desk_reads.trial(session, SHOP, key).outcomes] == [BOWS[0]]
        assert status(session, BOWS[0]) == "sold"


# The next trial


def test_the_next_trial_keeps_the_liked_in_leaves_the_hopeless_out_and_is_the_same_players(shop: Database) -> None:
    with shop.writing() as session:
        key = played(session, {None: 4, BOWS[0]: 6, BOWS[1]: 7, BOWS[2]: 1})
        record(session, key, "more_asked")
        bows = next_bows(session, key)
        assert set(bows[:2]) == {BOWS[0], BOWS[1]}, "both were rated above the own bow"
        assert BOWS[2] not in bows
        player = outcomes.before_next(session, SHOP, key).player
        again = compose(session, previous=key, player=player, copies=list(bows), on=TODAY.isoformat())
        page, first = desk_reads.trial(session, SHOP, again), desk_reads.trial(session, SHOP, key)
    assert page.row.player == first.row.player
    assert page.previous == (key, 1)
    assert first.follow_ups == ((again, 2),)


def test_a_bow_that_was_kept_comes_to_no_further_trial(shop: Database) -> None:
    with shop.writing() as session:
        key = played(session)
        record(session, key, "kept", BOWS[1])
        assert BOWS[1] not in next_bows(session, key)


def next_bows(session: Session, key: str) -> tuple[str, ...]:
    """Return what is advised for the trial after one."""
    answers = check(composition(session, key).answers)
    stored = marks.gathered(session, SHOP, answers, previous=key)
    return composing.propose(session, SHOP, answers, on=TODAY, marks=stored).recommended


# The next fit


def test_the_next_fit_learns_from_trials_composed_here_and_the_advice_follows(shop: Database) -> None:
    def expected() -> dict[str, float]:
        with shop.reading() as session:
            seen = composing.propose(session, SHOP, check(BASS), chosen=[BOWS[1], BOWS[2]])
            return {bow.copy: bow.expected for bow in seen.bows}

    before = expected()
    with shop.writing() as session:
        for _player in range(6):
            key = played(session, {None: 4, BOWS[0]: 4, BOWS[1]: 7, BOWS[2]: 2})
            record(session, key, "none", reason="price")
        assert len(model_records.read_trials(session)) == 6
    assert fits.fit(shop).adopted
    after = expected()
    assert before[BOWS[1]] == before[BOWS[2]]
    assert after[BOWS[1]] > before[BOWS[1]]
    assert after[BOWS[2]] < before[BOWS[2]]
    with shop.reading() as session:
        reasons = {bow.copy: bow.reason for bow in composing.propose(session, SHOP, check(BASS)).bows}
    assert reasons[BOWS[1]] == "Rated in six trials, and liked better than its model as a whole."
    assert reasons[BOWS[2]] == "Rated in six trials, and liked less than its model as a whole."


def test_a_fit_reads_nothing_of_a_player_who_asked_to_be_left_out(shop: Database) -> None:
    contact = {"consent": {"advice": True}, "name": "Ada Bow"}
    with shop.writing() as session:
        nothing = model_records.digest(session)
        key = played(session, contact=contact)
        record(session, key, "none", reason="price")
        assert model_records.digest(session) == nothing
        read = (
            model_records.read_trials(session),
            model_records.read_outcomes(session),
            model_records.read_offers(session),
        )
        assert read == ((), (), {})
        player = session.scalars(select(tables.Trial.player).where(tables.Trial.key == key)).one()
        session.get_one(tables.Player, player).in_model = True
        session.flush()
        assert [trial.key for trial in model_records.read_trials(session)] == [key]
        assert [outcome.trial for outcome in model_records.read_outcomes(session)] == [key]
        assert list(model_records.read_offers(session)) == [key]
        assert model_records.digest(session) != nothing


def test_composed_trials_are_whole_in_the_files(shop: Database, tmp_path: Path) -> None:
    answers = BASS | {
        "strings": 4,
        "string_length_mm": 1050,
        "settings": ["theatre", "orchestra"],
        "priorities": ["response", "clarity"],
        "wishes": {"mass": -1, "tone": 1},
        "budget": {"amount": 2600.005, "currency": "EUR"},
    }
    with shop.writing() as session:
        record(
            session,
            played(session, answers=answers),
            "kept",
            BOWS[1],
            "sound",
            paid=PricePaid(Decimal("2300.5"), "=two"),
        )
        compose(session, copies=["DB-juniper-3"])  # planned, and in no file
    with shop.reading() as session:
        counts = files.dump(session, tmp_path / "one")
    assert counts["runs.csv"] == 6
    fresh = Database(f"sqlite:///{tmp_path / 'fresh.db'}")
    migrations.upgrade(fresh)
    with fresh.writing() as session:
        assert files.load(session, tmp_path / "one").problems == ()
    with fresh.reading() as session:
        files.dump(session, tmp_path / "two")
        page = desk_reads.trials(session, SHOP).rows
    fresh.close()
    assert page == ()
    assert "sound,2300.5,EUR\n" in (tmp_path / "one" / "outcomes.csv").read_text(encoding="utf-8")
    for file in sorted((tmp_path / "one").iterdir()):
        assert file.read_bytes() == (tmp_path / "two" / file.name).read_bytes(), file.name


# The standing


def test_the_standing_goes_by_sheets_so_far_and_says_the_next_step(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session, on=TODAY.isoformat())
        lifecycle.open_(session, None, SHOP, key)
        nothing = standing.standing(session, SHOP, key)
        rate(session, key, MARKS, places=2)
        some = standing.standing(session, SHOP, key)
    assert (nothing.sheets_in, nothing.recommendation.say) == (0, "go_on")
    assert nothing.recommendation.text == "Go on with the next bow. Nothing has been rated yet."
    assert (some.sheets_in, some.sheets_of) == (2, 6)
    assert {bow.plays for bow in some.bows} == {0, 1}
    assert "%" not in some.recommendation.text  # few trials stand behind it


def test_the_hidden_repeat_shows_as_one_bow_once_both_plays_are_in(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session, on=TODAY.isoformat(), repeat=True)
        lifecycle.open_(session, None, SHOP, key)
        before = standing.standing(session, SHOP, key)
        rate(session, key, MARKS)
        after = standing.standing(session, SHOP, key)
    assert [len(bow.letters) for bow in before.bows] == [1, 1, 1, 1]
    assert sorted(len(bow.letters) for bow in after.bows) == [0, 1, 1, 2]
    assert before.repeat is None
    assert (
        after.repeat
        == "One bow was played twice, unannounced, and got the same mark both times: marks can be relied on."
    )
    assert after.drift == "The own bow was rated the same before and at the end: no drift."


def test_drift_is_said_by_points(shop: Database) -> None:
    with shop.writing() as session:
        key = played(session)
        own = session.scalars(
            select(tables.Run).where(tables.Run.copy.is_(None)).order_by(tables.Run.position.desc())
        ).first()
        assert own is not None
        own.overall = 2
        session.flush()
        said = standing.standing(session, SHOP, key).drift
    assert said == (
        "The own bow was rated two points lower at the end than before: the scale moved down, or the player has tired."
    )


def test_a_listeners_sheet_stands_beside_and_moves_nothing(shop: Database) -> None:
    with shop.writing() as session:
        key = played(session)
        before = standing.standing(session, SHOP, key)
        trial = composition(session, key).trial
        heard = {"overall": 1, "carrying": 7, "tone": None, "cannot_tell": "tone"}
        session.add(tables.Run(trial=trial, position=1, copy=BOWS[0], rater="listener", note="thin", **heard))
        session.flush()
        after = standing.standing(session, SHOP, key)
    assert after.bows == before.bows
    assert [(row.ratings, row.note) for row in after.listener] == [
        ({"overall": 1, "carrying": 7, "tone": "cannot_tell"}, "thin")
    ]


def test_the_own_bow_of_the_answers_gives_way_to_its_ratings_in_the_trial(shop: Database) -> None:
    with shop.writing() as session:
        plain = played(session, repeat=False)
        lifecycle.close(session, None, SHOP, plain)
        told = played(session, repeat=False, answers=BASS | {"own_bow": {"ratings": {"overall": 7}}})
        without, with_ = (standing.standing(session, SHOP, key) for key in (plain, told))
    own = [next(bow for bow in view.bows if bow.own) for view in (without, with_)]
    assert own[0].plays == own[1].plays == 2
    assert own[0].expected == pytest.approx(own[1].expected, abs=0.05)


# Sheets as they come


def send(session: Session, key: str, position: int, mark: int, revision: int = 1) -> tuple[str, ...]:
    """Send the sheet of one place of the order, as a tablet does, and return its flags."""
    slot = slots(session, key)[position - 1]
    body = {
        "revision": revision,
        "position": position,
        "letter": slot.letter,
        "rater": "player",
        "ratings": {"overall": mark, "response": "cannot_tell"},
        "rated_at": dt.datetime.now(dt.UTC).isoformat(),
    }
    sheet = SheetIn.model_validate(body)
    return sheets.record(session, SHOP, key, f"sheet-{key[:8]}-{position}", sheet, "tablet t").flags


def test_a_sheet_changed_after_the_reveal_is_kept_and_the_blind_one_is_learnt_from(shop: Database) -> None:
    with shop.writing() as session:
        user = tables.User(email="a@harbour.example", role="adviser", dealer=SHOP, created_at=dt.datetime.now(dt.UTC))
        session.add(user)
        session.flush()
        key = compose(session, on=TODAY.isoformat())
        lifecycle.open_(session, user.id, SHOP, key)
        for slot in slots(session, key):
            assert send(session, key, slot.position, MARKS[slot.copy]) == ()
        lifecycle.close(session, user.id, SHOP, key)
        lifecycle.reveal(session, user.id, SHOP, key)
        blind = standing.standing(session, SHOP, key)
        place = next(slot.position for slot in slots(session, key) if slot.copy == BOWS[2])
        assert "after_reveal" in send(session, key, place, 7, revision=2)
        after, page = standing.standing(session, SHOP, key), desk_reads.trial(session, SHOP, key)
        read = model_records.read_trials(session)
    assert after.bows == blind.bows
    assert "A sheet was changed after the key was revealed; the blind one counts." in page.flags
    assert len(page.sheets) == 7
    marks = {run.copy: run.ratings[Criterion.OVERALL] for run in read[0].runs}
    assert marks == MARKS

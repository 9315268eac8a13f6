"""What waited on a tablet, as a file: once, unaltered, of a tablet of this dealer."""

import json
from collections.abc import Iterator
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service import tables
from service.core.database import Database
from service.core.errors import ConflictError
from service.devices import offline_export, tablets
from service.trials import paired_comparison
from tests.service import tablet_file, trial_rows
from tests.service.trial_rows import TrialRows

SAVED = "2026-03-02T12:00:00.000Z"


@pytest.fixture
def shop(database: Database) -> Iterator[tuple[Session, TrialRows]]:
    with database.writing() as session:
        yield session, trial_rows.add_all(session)


def item(position: int = 1, letter: str = "F", **changes: Any) -> dict[str, Any]:
    body = {
        "revision": 1,
        "position": position,
        "letter": letter,
        "rater": "player",
        "ratings": {"overall": 5},
        "note": None,
        "rated_at": SAVED,
    }
    return {"kind": "sheet", "trial": "trial-one", "id": f"00000000-{position}", "body": body} | changes


def file_of(rows: TrialRows, *items: dict[str, Any]) -> bytes:
    return tablet_file.signed(tablets.file_key(rows.tablet_key), rows.tablet, SAVED, list(items))


def stored(session: Session) -> int:
    return session.scalar(select(func.count()).select_from(tables.Sheet)) or 0


def test_a_file_is_stored_and_the_same_file_again_changes_nothing(shop: tuple[Session, TrialRows]) -> None:
    session, rows = shop
    content = file_of(rows, item(), item(2, "C"))
    for _time in range(2):
        loaded = offline_export.load(session, rows.user, rows.dealer, content)
        assert (loaded.sheets, loaded.flagged, loaded.left_out, loaded.withdrawn) == (2, 0, (), False)
    assert stored(session) == 2
    assert {sheet.sender for sheet in session.scalars(select(tables.Sheet))} == {f"file of tablet {rows.tablet}"}


def test_every_single_change_of_a_file_is_seen(shop: tuple[Session, TrialRows]) -> None:
    session, rows = shop
    file = json.loads(file_of(rows, item()))
    changed = {
        "content": file["content"].replace('"overall": 5', '"overall": 7'),
        "saved_at": "2026-03-03T12:00:00.000Z",
        "hmac": "0" * 64,
    }
    for name, value in changed.items():
        with pytest.raises(ConflictError, match="something in it was changed"):
            offline_export.load(session, rows.user, rows.dealer, json.dumps(file | {name: value}).encode())
    assert stored(session) == 0


def test_a_file_of_another_dealers_tablet_is_refused(shop: tuple[Session, TrialRows]) -> None:
    session, rows = shop
    trial_rows.add_dealer(session, "hillside")
    with pytest.raises(ConflictError, match="never enrolled here"):
        offline_export.load(session, rows.user, "hillside", file_of(rows, item()))


def test_a_file_of_a_tablet_that_is_not_known_is_refused(shop: tuple[Session, TrialRows]) -> None:
    session, rows = shop
    content = tablet_file.signed(tablets.file_key(rows.tablet_key), "another", SAVED, [item()])
    with pytest.raises(ConflictError, match="never enrolled here"):
        offline_export.load(session, rows.user, rows.dealer, content)


@pytest.mark.parametrize("content", [b"", b"{}", b"[1]", b"\xff\xfe", b'{"format": "waiting sheets, 1"}'])
def test_what_is_no_such_file_is_refused_in_a_sentence(shop: tuple[Session, TrialRows], content: bytes) -> None:
    session, rows = shop
    with pytest.raises(ConflictError, match="not a file of waiting sheets"):
        offline_export.load(session, rows.user, rows.dealer, content)


def test_the_file_of_a_tablet_whose_key_was_withdrawn_is_taken_and_says_so(shop: tuple[Session, TrialRows]) -> None:
    session, rows = shop
    tablets.revoke(session, rows.user, rows.dealer, rows.tablet)
    assert offline_export.load(session, rows.user, rows.dealer, file_of(rows, item())).withdrawn
    assert stored(session) == 1


def test_what_cannot_be_taken_is_named_and_the_rest_is_stored(shop: tuple[Session, TrialRows]) -> None:
    session, rows = shop
    content = file_of(rows, item(trial="another-trial"), item(2, "C"), item(3, "", body={"revision": 0}))
    loaded = offline_export.load(session, rows.user, rows.dealer, content)
    assert (loaded.sheets, stored(session)) == (1, 1)
    assert loaded.left_out[0] == "Item 1 is of a trial that is not here."
    assert loaded.left_out[1].startswith("Item 3: ")


def test_flags_are_counted(shop: tuple[Session, TrialRows]) -> None:
    session, rows = shop
    loaded = offline_export.load(session, rows.user, rows.dealer, file_of(rows, item(), item(2, "Z")))
    assert (loaded.sheets, loaded.flagged) == (2, 1)


def test_pairs_that_waited_are_stored_too(shop: tuple[Session, TrialRows]) -> None:
    session, rows = shop
    head = paired_comparison.start(session, rows.user, rows.dealer, rows.key, ("F", "C"))
    pair = {"head_to_head": head, "number": 1, "preferred": "second", "rated_at": SAVED}
    content = file_of(rows, {"kind": "pair", "trial": rows.key, "id": "pair-0000-1", "body": pair})
    for _time in range(2):
        loaded = offline_export.load(session, rows.user, rows.dealer, content)
        assert (loaded.pairs, loaded.left_out) == (1, ())
    assert [pair.preferred for pair in session.scalars(select(tables.Pair))] == ["second"]

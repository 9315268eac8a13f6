"""The record: what the catalogue of events names is what the code writes down, no more and no less."""

import ast
from pathlib import Path

import pytest

from service.access import events

SERVICE = Path(events.__file__).resolve().parents[1]
NAMES = {value.name: name for name, value in vars(events).items() if isinstance(value, events.Event)}
"""By an event's name, the constant that the code names it by."""


def _used() -> set[str]:
    """Return the constants of the catalogue that the code names outside of it."""
    return {
        node.attr
        for path in SERVICE.rglob("*.py")
        if path.name != "events.py"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "events"
    }


def test_every_event_has_a_name_a_sentence_and_somebody_who_brings_it_about() -> None:
    assert len(events.CATALOGUE) > 40
    assert set(events.CATALOGUE) == set(NAMES)
    for name, event in events.CATALOGUE.items():
        assert name == event.name
        assert NAMES[name] == name.upper()
        assert event.did
        assert event.by
        assert event.by <= set(events.WRITERS)


def test_every_event_is_written_down_somewhere() -> None:
    assert set(NAMES.values()) - _used() == set()


def test_two_events_cannot_share_a_name_or_a_sentence() -> None:
    for name, did in (("trial_opened", "did something new"), ("something_new", "opened a trial")):
        with pytest.raises(ValueError, match="already"):
            events._event(name, did, events.STAFF)
    assert "something_new" not in events.CATALOGUE

"""The record: what the catalogue of events names is what the code writes down, no more and no less."""

import ast
from pathlib import Path

import pytest

from service.core import audit_events

SERVICE = Path(audit_events.__file__).resolve().parents[1]
NAMES = {value.name: name for name, value in vars(audit_events).items() if isinstance(value, audit_events.AuditEvent)}
"""By an event's name, the constant that the code names it by."""


def _used() -> set[str]:
    """Return the constants of the catalogue that the code names outside of it."""
    return {
        node.attr
        for path in SERVICE.rglob("*.py")
        if path.name != "audit_events.py"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "audit_events"
    }


def test_every_event_has_a_name_a_sentence_and_somebody_who_brings_it_about() -> None:
    assert len(audit_events.CATALOGUE) > 40
    assert set(audit_events.CATALOGUE) == set(NAMES)
    for name, event in audit_events.CATALOGUE.items():
        assert name == event.name
        assert NAMES[name] == name.upper()
        assert event.did
        assert event.by
        assert event.by <= set(audit_events.WRITERS)


def test_every_event_is_written_down_somewhere() -> None:
    assert set(NAMES.values()) - _used() == set()


def test_two_events_cannot_share_a_name_or_a_sentence() -> None:
    for name, did in (("trial_opened", "did something new"), ("something_new", "opened a trial")):
        with pytest.raises(ValueError, match="already"):
            audit_events._event(name, did, audit_events.STAFF)
    assert "something_new" not in audit_events.CATALOGUE

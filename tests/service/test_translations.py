"""Translations: every text has one in every language, and none has lost or gained a value that is put into it."""

import pytest
from babel.messages import Catalog

from service import language
from tests.translations import TRANSLATED, catalogue, refreshed, texts, untranslated, wrong


@pytest.mark.parametrize("code", TRANSLATED)
def test_every_text_has_its_translation(code: str) -> None:
    assert untranslated(refreshed(code)) == []


@pytest.mark.parametrize("code", TRANSLATED)
def test_no_translation_is_left_of_a_text_that_is_gone(code: str) -> None:
    assert {message.id for message in catalogue(code)} - {message.id for message in texts()} == set()


@pytest.mark.parametrize("code", TRANSLATED)
def test_no_translation_waits_for_someone_to_look_at_it(code: str) -> None:
    assert [message.id for message in catalogue(code) if message.id and message.fuzzy] == []


@pytest.mark.parametrize("code", TRANSLATED)
def test_every_translation_holds_the_values_of_its_text(code: str) -> None:
    assert [line for message in catalogue(code) if message.id for line in wrong(message)] == []


@pytest.mark.parametrize("code", TRANSLATED)
def test_the_compiled_catalogue_speaks_and_counts(code: str) -> None:
    translations = language.translations(code)
    assert translations.gettext("violin") != "violin"
    one, many = (translations.ngettext("{count} bow", "{count} bows", count) for count in (1, 2))
    assert one != many


def test_a_lost_value_an_added_one_and_lost_blanks_are_seen() -> None:
    catalog = Catalog()
    catalog.add("{count} bows of {tier}", "{count} Bögen")
    catalog.add("no value", "kein {wert}")
    catalog.add(", then ", ", dann")
    catalog.add(("%(count)s bow", "%(count)s bows"), ("ein Bogen", "Bögen"))
    catalog.add(("{count} sheet", "{count} sheets"), ("ein Blatt", "{count} Blätter"))
    assert [len(wrong(message)) for message in catalog if message.id] == [1, 1, 1, 1, 0]


def test_a_text_without_a_translation_is_seen() -> None:
    catalog = Catalog()
    catalog.add("told", "gesagt")
    catalog.add("untold")
    catalog.add(("one", "many"), ("eins", ""))
    assert len(untranslated(catalog)) == 2

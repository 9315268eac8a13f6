"""Translations: every text has one in every language, and none has lost or gained a value that is put into it."""

import re
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest
from babel.messages import Catalog

from service.core import language
from tests import translations
from tests.translations import TRANSLATED, as_text, catalogue, refreshed, texts, untranslated, wrong


@pytest.mark.parametrize("code", TRANSLATED)
def test_every_text_has_its_translation(code: str) -> None:
    assert untranslated(refreshed(code)) == []


@pytest.mark.parametrize("code", TRANSLATED)
def test_no_translation_is_left_of_a_text_that_is_gone(code: str) -> None:
    assert {message.id for message in catalogue(code)} - {message.id for message in texts()} == set()


@pytest.mark.parametrize("code", TRANSLATED)
def test_no_translation_waits_for_someone_to_look_at_it(code: str) -> None:
    assert [message.id for message in catalogue(code) if message.id and message.fuzzy] == []


def test_no_sentence_reads_the_same_in_two_languages() -> None:
    """German in the French catalogue is a translation to every other check."""
    spoken: dict[str, dict[Any, Any]] = {
        code: {(message.context, message.id): message.string for message in catalogue(code) if message.id}
        for code in TRANSLATED
    }
    shared = [
        (code, other, ident[1])
        for code, other in combinations(TRANSLATED, 2)
        for ident, said in spoken[code].items()
        if said == spoken[other].get(ident) and said != ident[1] and len(re.findall(r"[^\W\d_]{3,}", str(said))) > 2
    ]
    assert shared == []


def test_what_is_put_into_one_language_is_put_into_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(translations, "catalogue", lambda code: Catalog(locale=code))
    one, other = (refreshed(code) for code in TRANSLATED[:2])
    for message in one:
        message.string = "said" if isinstance(message.id, str) else ("said", "said")
    assert not [message.id for message in other if message.id and "said" in (message.string or ())]


@pytest.mark.parametrize("code", TRANSLATED)
def test_every_translation_holds_the_values_of_its_text(code: str) -> None:
    assert [line for message in catalogue(code) if message.id for line in wrong(message)] == []


def test_no_text_is_a_piece_that_others_are_glued_to() -> None:
    """A translator can bend a sentence or a label, but no ', then ' (W3C, Internationalization: composite messages)."""
    glued = re.compile(r"^[\s,;:.)]|[\s,;(–]$")
    known = {"Hello,", "Hello %(name)s,"}
    found = [form for message in texts() if message.id for form in _forms(message.id)]
    assert [text for text in found if glued.search(text) and text not in known] == []


def _forms(ident: str | tuple[str, ...] | list[str]) -> list[str]:
    return [ident] if isinstance(ident, str) else list(ident)


def test_where_a_trial_stands_is_a_sentence_of_its_own_in_every_language() -> None:
    """Verbs of a state were put into nine sentences before: what follows them bends in other languages."""
    said = [text for message in texts() if message.id for text in _forms(message.id)]
    assert not any("{state}" in text or "{days}" in text or "{rater}" in text for text in said)


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


def test_french_keeps_a_sign_with_its_word_at_the_end_of_a_line() -> None:
    """Imprimerie nationale, Lexique des règles typographiques: a blank that does not break before ; : ! ? % and within « »."""
    said = [form for message in catalogue("fr") if message.id for form in _forms(message.string or "")]
    assert [text for text in said if re.search(r" [;:!?»]| %(?![(\w])|« ", text)] == []


@pytest.mark.parametrize("code", TRANSLATED)
def test_words_are_quoted_as_the_language_quotes_them(code: str) -> None:
    """Unicode CLDR, delimiters: „…“ in German, «…» in French and Italian; a straight apostrophe is a typewriter's."""
    others = {"de": r"['\"«»‚‘]", "fr": r"['„“”]", "it": r"['„“”]"}[code]
    said = [form for message in catalogue(code) if message.id for form in _forms(message.string or "")]
    assert [text for text in said if re.search(others, re.sub(r"<[^>]*>", "", text))] == []


@pytest.fixture
def languages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of catalogues of one's own, and one text: told, then reworded by a test."""
    monkeypatch.setattr(language, "LOCALES", tmp_path)
    file = language.catalogue_file("de")
    file.parent.mkdir(parents=True)
    return file


def asking_for(monkeypatch: pytest.MonkeyPatch, *asked: str) -> None:
    catalog = Catalog()
    for text in asked:
        catalog.add(text)
    monkeypatch.setattr(translations, "texts", lambda: catalog)


def test_a_reworded_text_keeps_its_translation_as_fuzzy_until_somebody_has_looked(
    languages: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """GNU gettext manual, 'Fuzzy Entries' and the mark of a text before, '#|'."""
    asking_for(monkeypatch, "Try three bows today.", "Of no use any more.")
    known = refreshed("de")
    known["Try three bows today."].string = "Probieren Sie heute drei Bögen."
    known["Of no use any more."].string = "Zu nichts mehr nütze."
    languages.write_bytes(as_text(known))
    asking_for(monkeypatch, "Try three bows tomorrow.", "A wholly different matter: rosin?")
    for _again in range(2):
        languages.write_bytes(as_text(refreshed("de")))
    text = languages.read_text(encoding="utf-8")
    reworded = """#, fuzzy
#| msgid "Try three bows today."
msgid "Try three bows tomorrow."
msgstr "Probieren Sie heute drei Bögen."
"""
    assert reworded in text
    assert "Of no use" not in text
    assert set(untranslated(refreshed("de"))) == {"A wholly different matter: rosin?", "Try three bows tomorrow."}
    # Whoever has looked takes the mark away; the text before goes with the next update.
    languages.write_text(text.replace("#, fuzzy\n", "").replace("heute", "morgen"), encoding="utf-8")
    languages.write_bytes(as_text(refreshed("de")))
    text = languages.read_text(encoding="utf-8")
    assert 'msgstr "Probieren Sie morgen drei Bögen."' in text
    assert "today" not in text


def test_readers_are_shown_the_text_itself_while_nobody_has_looked(
    languages: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    catalog = Catalog(locale="de", fuzzy=False)
    catalog.add("Try three bows tomorrow.", "Probieren Sie heute drei Bögen.", flags=["fuzzy"])
    catalog.add("Thank you.", "Danke.")
    languages.write_bytes(as_text(catalog))
    spoken = language.translations.__wrapped__("de")
    assert [spoken.gettext(text) for text in ("Try three bows tomorrow.", "Thank you.")] == [
        "Try three bows tomorrow.",
        "Danke.",
    ]


def test_a_text_without_a_translation_is_seen() -> None:
    catalog = Catalog()
    catalog.add("told", "gesagt")
    catalog.add("untold")
    catalog.add(("one", "many"), ("eins", ""))
    assert len(untranslated(catalog)) == 2

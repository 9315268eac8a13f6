"""The reader's language: English source text through gettext, one set of translations for each request.

The language spoken is held in a context variable, so that use cases, words and templates speak the same one without
handing it from function to function. Translations lie in ``locales/`` as text and are compiled when first needed, so that no
compiled file can fall behind; English needs none.
"""

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from gettext import GNUTranslations, NullTranslations
from pathlib import Path
from typing import TYPE_CHECKING, Any

from babel import Locale
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po

if TYPE_CHECKING:
    from jinja2 import Environment

SOURCE = "en"
LOCALES = Path(__file__).resolve().parents[1] / "locales"
NAMES = {"en": "English", "de": "Deutsch", "fr": "Français", "it": "Italiano"}
"""Every language spoken here, by its own name."""
_REGIONS = {"en": "en_GB", "de": "de_DE", "fr": "fr_FR", "it": "it_IT"}
"""Whose dates and numbers are written: the house's English puts the day before the month."""
_MOST_TAGS = 20
_TAG = re.compile(r"\s*([A-Za-z]{1,8}(?:-[A-Za-z0-9]{1,8})*|\*)\s*(?:;\s*q\s*=\s*([01](?:\.\d{0,3})?)\s*)?")

_spoken: ContextVar[str] = ContextVar("language", default=SOURCE)
_asked: ContextVar[bool] = ContextVar("language_asked", default=False)
_chosen: ContextVar[bool] = ContextVar("language_chosen", default=False)


def spoken() -> str:
    """Return the code of the language being spoken: 'en'."""
    return _spoken.get()


def gettext(text: str) -> str:
    """Return ``text`` in the reader's language."""
    return translations(_spoken.get()).gettext(text)


def ngettext(one: str, many: str, count: int) -> str:
    """Return ``one`` or ``many`` in the reader's language, as ``count`` asks for."""
    return translations(_spoken.get()).ngettext(one, many, count)


def pgettext(context: str, text: str) -> str:
    """Return ``text`` as it is said in a context, for a word that other languages have several for."""
    return translations(_spoken.get()).pgettext(context, text)


def N_(text: str) -> str:  # noqa: N802 - the name that gettext's extractors know
    """Mark ``text`` of a table for translation; ``_`` translates it where it is shown."""
    return text


_ = gettext


@contextmanager
def using(code: str | None) -> Iterator[None]:
    """Speak the language of a tag ('de', 'de-AT') inside the block; one not known, or None, changes nothing."""
    token = _spoken.set(known(code) or _spoken.get())
    try:
        yield
    finally:
        _spoken.reset(token)


def speak(code: str | None, *, chosen: bool = False) -> None:
    """Speak a reader's language from here on; None: nothing is known, a dealer's may stand in. ``chosen``: by the reader, not the browser."""
    _spoken.set(code or SOURCE)
    _asked.set(code is not None)
    _chosen.set(chosen and code is not None)


def ask(tag: str | None) -> None:
    """Speak the language that a request itself asks for, before its reader's own; one not known changes nothing."""
    code = known(tag)
    if code:
        speak(code, chosen=True)


def carry_on(tag: str | None) -> None:
    """Go on in the language of the page before, unless the reader has chosen one: it survives where cookies are blocked."""
    code = known(tag)
    if code and not _chosen.get():
        speak(code)


def stand_in(tag: str | None) -> None:
    """Speak a dealer's language, unless the reader has asked for one."""
    code = known(tag)
    if code and not _asked.get():
        _spoken.set(code)


def known(tag: str | None) -> str | None:
    """Return the code of the language that a tag names (BCP 47: 'de-AT', 'fr'), None where it is not spoken here."""
    code = (tag or "").replace("_", "-").partition("-")[0].lower()
    return code if code in NAMES else None


def preferred(accepted: str) -> str | None:
    """Return the language that a reader's ``Accept-Language`` likes best (RFC 9110, 12.5.4), None where none is spoken here."""
    liked: list[tuple[float, int, str]] = []
    for place, part in enumerate(accepted.split(",")[:_MOST_TAGS]):
        tag = _TAG.fullmatch(part)
        code = known(tag[1]) if tag else None
        if tag and code and float(tag[2] or 1) > 0:
            liked.append((-float(tag[2] or 1), place, code))
    return min(liked)[2] if liked else None


@cache
def locale(code: str) -> Locale:
    """Return whose dates, numbers and money are written in a language."""
    return Locale.parse(_REGIONS[code])


@cache
def translations(code: str) -> NullTranslations:
    """Return the translations into a language, compiled from its text."""
    if code == SOURCE:
        return NullTranslations()
    compiled = io.BytesIO()
    with catalogue_file(code).open("rb") as file:
        write_mo(compiled, read_po(file, locale=code, abort_invalid=True))
    compiled.seek(0)
    return GNUTranslations(compiled)


def catalogue_file(code: str) -> Path:
    """Return where a language's translations lie."""
    return LOCALES / code / "LC_MESSAGES" / "messages.po"


def install(environment: "Environment") -> None:
    """Give templates ``{{ _('…') }}`` and ``{% trans %}`` in the current language."""
    # The new style is left off: texts with values are marked up by ``{% trans %}``, which escapes the values.
    environment.add_extension("jinja2.ext.i18n")
    # jinja2 adds this method to the environment when the extension is loaded; its stubs do not know it.
    extended: Any = environment
    extended.install_gettext_callables(gettext, ngettext, newstyle=False)
    environment.globals["_"] = gettext  # the extension's own asks the template for the one above, twice as slowly

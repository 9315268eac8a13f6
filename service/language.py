"""The reader's language: English source text through gettext, one set of translations for each request.

The current translations are held in a context variable, so that use cases, words and templates read the same language
without handing it from function to function. English needs no catalogue: ``NullTranslations`` gives the source text.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from gettext import NullTranslations
from typing import Any

from jinja2 import Environment

_ENGLISH = NullTranslations()
_current: ContextVar[NullTranslations] = ContextVar("translations", default=_ENGLISH)


def gettext(text: str) -> str:
    """Return ``text`` in the reader's language."""
    return _current.get().gettext(text)


def ngettext(one: str, many: str, count: int) -> str:
    """Return ``one`` or ``many`` in the reader's language, as ``count`` asks for."""
    return _current.get().ngettext(one, many, count)


def N_(text: str) -> str:  # noqa: N802 - the name that gettext's extractors know
    """Mark ``text`` of a table for translation; ``_`` translates it where it is shown."""
    return text


_ = gettext


@contextmanager
def using(translations: NullTranslations) -> Iterator[None]:
    """Speak the language of ``translations`` inside the block."""
    token = _current.set(translations)
    try:
        yield
    finally:
        _current.reset(token)


def install(environment: Environment) -> None:
    """Give templates ``{{ _('…') }}`` and ``{% trans %}`` in the current language.

    The new style is left off: texts with values are marked up by ``{% trans %}``, which escapes the values.
    """
    environment.add_extension("jinja2.ext.i18n")
    # jinja2 adds this method to the environment when the extension is loaded; its stubs do not know it.
    extended: Any = environment
    extended.install_gettext_callables(gettext, ngettext, newstyle=False)

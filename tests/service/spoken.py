"""Translations from elsewhere, so that a test sees what goes through them."""

from contextlib import AbstractContextManager
from gettext import NullTranslations
from typing import Any
from unittest.mock import patch

from service.core import language


def translated_by(given: NullTranslations) -> AbstractContextManager[Any]:
    """Take translations from elsewhere inside the block, whatever language is spoken."""
    return patch.object(language, "translations", lambda _code: given)

"""Which two letters are a country's: ISO 3166-1 as the Unicode CLDR knows it."""

import re

from babel import Locale

COUNTRIES = sorted(
    code
    for code in Locale("en").territories.keys() - {"EU", "EZ", "QO", "UN", "XA", "XB", "ZZ"}
    if re.fullmatch("[A-Z]{2}", code)
)
"""All of them; the CLDR knows some codes besides that are none's."""


def is_country(code: str) -> bool:
    """Say whether a text is a country's two capital letters."""
    return code in COUNTRIES

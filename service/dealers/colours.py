"""A dealer's own colours within the house's look: as asked where they can be read, else corrected until they can.

A colour is used for words and lines on paper, and as the ground of a button's words; each needs a contrast of 4.5 : 1 (WCAG 2.2,
success criterion 1.4.3). A correction moves the lightness alone, step by step, so that hue and saturation stay the dealer's.
"""

import colorsys
import re
from dataclasses import dataclass

TEXT = 4.5
"""The contrast ratio that words need (WCAG 2.2, 1.4.3)."""
_STEP = 0.01
_HEXADECIMAL = re.compile(r"#?([0-9a-f]{6}|[0-9a-f]{3})")


@dataclass(frozen=True, slots=True)
class Scheme:
    """One of the look's two schemes: the grounds on which a colour stands, and the words that stand on it."""

    grounds: tuple[str, ...]
    words: str
    towards: float  # the lightness that every correction ends at, 0 black or 1 white


LIGHT = Scheme(("#faf8f3", "#fffdf8", "#f1ece0"), "#ffffff", 0.0)
DARK = Scheme(("#171b1e", "#1e2428", "#232a2e"), "#10211d", 1.0)
"""Paper, card and wash as the style sheet has them, and the words on a button."""


@dataclass(frozen=True, slots=True)
class FittedColour:
    """A colour as it was asked for and as it is used; ``ratio``: its least contrast in the light scheme as asked for."""

    asked: str
    light: str
    dark: str
    ratio: float

    @property
    def is_corrected(self) -> bool:
        """Whether the light scheme, in which the dealer chose it, shows another colour than was asked for."""
        return self.light != self.asked


def read(text: str) -> str | None:
    """Return a colour written in hexadecimal as '#rrggbb', None for any other text."""
    found = _HEXADECIMAL.fullmatch(text.strip().lower())
    if found is None:
        return None
    digits = found[1]
    return f"#{digits}" if len(digits) == 6 else "#" + "".join(digit * 2 for digit in digits)


def luminance(colour: str) -> float:
    """Return the relative luminance of '#rrggbb', 0 to 1 (WCAG 2.2, 'relative luminance')."""
    linear = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in _channels(colour))
    return sum(weight * value for weight, value in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours, 1 to 21 (WCAG 2.2, 'contrast ratio')."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def least_contrast(colour: str, scheme: Scheme) -> float:
    """Return the smallest contrast that a colour has wherever it stands in a scheme."""
    return min(contrast(colour, other) for other in (*scheme.grounds, scheme.words))


def readable(colour: str, scheme: Scheme) -> str:
    """Return the colour as it is where it can be read in a scheme, else the nearest lightness at which it can."""
    hue, lightness, saturation = colorsys.rgb_to_hls(*_channels(colour))
    tried, steps = colour, 0
    while least_contrast(tried, scheme) < TEXT:
        steps += 1
        moved = lightness + _STEP * steps * (1 if scheme.towards else -1)
        channels = colorsys.hls_to_rgb(hue, min(max(moved, 0.0), 1.0), saturation)
        tried = "#" + "".join(f"{round(255 * channel):02x}" for channel in channels)
    return tried


def fit(colour: str) -> FittedColour:
    """Return how '#rrggbb' is used in both schemes."""
    return FittedColour(colour, readable(colour, LIGHT), readable(colour, DARK), least_contrast(colour, LIGHT))


def _channels(colour: str) -> tuple[float, float, float]:
    red, green, blue = (int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5))
    return red, green, blue

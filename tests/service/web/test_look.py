"""The look, measured: contrast of every colour on every ground it stands on, light and dark.

Relative luminance and contrast ratio: WCAG 2.2, definitions 'relative luminance' and 'contrast ratio'; 4.5 : 1 for text
(success criterion 1.4.3), 3 : 1 for the edges of controls (1.4.11).
"""

import re

import pytest

from service.app import STATIC_FILES

TEXT, EDGE = 4.5, 3.0
GROUNDS = ("paper", "card", "wash")
STYLE = (STATIC_FILES / "style.css").read_text(encoding="utf-8")


def _schemes() -> dict[str, dict[str, str]]:
    blocks = re.findall(r":root[^{]*\{(.*?)\}", STYLE, re.DOTALL)
    light, dark = (dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{3,6})", block)) for block in blocks[:2])
    return {"light": light, "dark": light | dark}


def luminance(colour: str) -> float:
    """Return the relative luminance of an sRGB colour written in hexadecimal."""
    digits = colour[1:] if len(colour) == 7 else "".join(digit * 2 for digit in colour[1:])
    channels = [int(digits[place : place + 2], 16) / 255 for place in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return sum(weight * value for weight, value in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours, 1 to 21."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_ratio_agrees_with_the_ends_that_its_definition_names() -> None:
    # WCAG 2.2, 'contrast ratio': 'Contrast ratios can range from 1 to 21'.
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#8c4a12", "#8c4a12") == pytest.approx(1)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("ground", GROUNDS)
@pytest.mark.parametrize("ink", ["ink", "quiet", "spruce", "rosin", "error"])
def test_every_ink_can_be_read_on_every_ground(scheme: str, ground: str, ink: str) -> None:
    colours = _schemes()[scheme]
    assert contrast(colours[ink], colours[ground]) >= TEXT


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_words_on_a_button_can_be_read(scheme: str) -> None:
    colours = _schemes()[scheme]
    assert contrast(colours["on-spruce"], colours["spruce"]) >= TEXT


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("ground", GROUNDS)
def test_the_edge_of_a_control_can_be_seen(scheme: str, ground: str) -> None:
    colours = _schemes()[scheme]
    assert contrast(colours["edge"], colours[ground]) >= EDGE


def test_colours_stand_in_variables_only() -> None:
    outside = re.sub(r":root[^{]*\{.*?\}", "", STYLE, flags=re.DOTALL)
    # Paper is white and lines are grey in print, whatever the screen's colours.
    assert set(re.findall(r"#[0-9a-fA-F]{3,8}\b", outside)) <= {"#777", "#000", "#fff"}

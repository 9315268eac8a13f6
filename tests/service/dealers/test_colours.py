"""A dealer's colours: as asked where they can be read, else corrected, in both schemes, with their hue kept."""

import colorsys

import pytest

from service.dealers import colours
from service.dealers.colours import DARK, LIGHT

TEXT = 4.5
"""The contrast ratio that words need (WCAG 2.2, success criterion 1.4.3)."""

ASKED = [
    "#ffcc00",
    "#ffffff",
    "#000000",
    "#1d5b4f",
    "#e30613",
    "#00a0e0",
    "#808080",
    "#f7f6f2",
    "#123456",
    "#ff00ff",
    "#7fff00",
]


def test_the_ratio_of_the_definitions_own_ends() -> None:
    # WCAG 2.2, 'contrast ratio': from 1 to 21; 'relative luminance': 0 for darkest black, 1 for lightest white.
    assert colours.contrast("#000000", "#ffffff") == pytest.approx(21)
    assert colours.luminance("#000000") == 0
    assert colours.luminance("#ffffff") == pytest.approx(1)
    # WCAG 2.2, technique G18's well-known border case: #767676 on white is the lightest grey of 4.5 : 1.
    assert colours.contrast("#767676", "#ffffff") >= TEXT > colours.contrast("#777777", "#ffffff")


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours by the definitions of WCAG 2.2."""

    def luminance(colour: str) -> float:
        channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
        return sum(weight * value for weight, value in zip((0.2126, 0.7152, 0.0722), linear, strict=True))

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("asked", ASKED)
def test_whatever_is_asked_for_can_be_read_everywhere(asked: str) -> None:
    fitted = colours.fit(asked)
    for used, scheme in ((fitted.light, LIGHT), (fitted.dark, DARK)):
        for other in (*scheme.grounds, scheme.words):
            assert contrast(used, other) >= TEXT


@pytest.mark.parametrize("asked", ASKED)
def test_a_colour_that_can_be_read_stays_as_it_is(asked: str) -> None:
    fitted = colours.fit(asked)
    assert (fitted.ratio >= TEXT) == (fitted.light == asked) == (not fitted.is_corrected)


@pytest.mark.parametrize("asked", ["#ffcc00", "#e30613", "#00a0e0", "#7fff00"])
def test_a_correction_keeps_the_hue(asked: str) -> None:
    def hue(colour: str) -> float:
        return colorsys.rgb_to_hls(*(int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)))[0]

    # Rounding to 256 steps a channel moves the hue by less than a hundredth of the circle.
    assert hue(colours.fit(asked).light) == pytest.approx(hue(asked), abs=0.01)


def test_a_correction_goes_no_further_than_it_must() -> None:
    light = colours.fit("#ffcc00").light
    one_step_back = colorsys.rgb_to_hls(*(int(light[place : place + 2], 16) / 255 for place in (1, 3, 5)))[1] + 0.02
    lighter = colorsys.hls_to_rgb(48 / 360, one_step_back, 1)
    written = "#" + "".join(f"{round(255 * channel):02x}" for channel in lighter)
    assert colours.least_contrast(written, LIGHT) < TEXT


@pytest.mark.parametrize(
    ("text", "read"),
    [(" #1D5B4F ", "#1d5b4f"), ("abc", "#aabbcc"), ("#12", None), ("red", None), ("#1d5b4f;}", None), ("", None)],
)
def test_a_colour_is_read_in_hexadecimal_only(text: str, read: str | None) -> None:
    assert colours.read(text) == read

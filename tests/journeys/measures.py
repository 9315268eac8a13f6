"""What is measured on every page of a journey, by the browser itself.

Reflow without scrolling sideways: WCAG 2.2, 1.4.10. Targets of 44 by 44 CSS px: 2.5.5 (level AAA, kept all the same).
"""

from playwright.sync_api import Page

TARGET = 44
NARROW_STEP = 36
"""CSS px that a step of the scale keeps below a width of 390; from there on it is a full target."""
STEP_HEIGHT = 48

_SMALL = """(least) => [...document.querySelectorAll('button, select, summary, a.go, .faults a, .choice, input[type=text], input[type=email], input[type=tel]')]
  .filter((e) => e.checkVisibility() && !e.matches('.hidden-words'))
  .map((e) => ({what: e.outerHTML.slice(0, 80), box: e.getBoundingClientRect()}))
  .filter(({box}) => box.height < least - 0.01 || box.width < least - 0.01)
  .map(({what, box}) => `${what}: ${box.width} x ${box.height}`)"""
_SCALES = """() => [...document.querySelectorAll('.seven')].filter((e) => e.checkVisibility())
  .map((row) => [...row.children].map((step) => step.getBoundingClientRect()).map((b) => [b.top, b.width, b.height]))"""
_BEYOND = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
_CUT = """() => [...document.querySelectorAll('main *')]
  .filter((e) => !e.closest('svg') && !e.closest('.hidden-words') && !e.matches('.hidden-words') && e.checkVisibility())
  .filter((e) => e.getBoundingClientRect().right > document.documentElement.clientWidth + 1)
  .map((e) => e.outerHTML.slice(0, 80))"""


def check_reflow(page: Page) -> None:
    """Fail where the page scrolls sideways or something reaches over its edge."""
    assert page.evaluate(_BEYOND) <= 0, f"{page.url} scrolls sideways"
    assert page.evaluate(_CUT) == []


def check(page: Page, width: int) -> None:
    """Fail where the page scrolls sideways, a target is small, or a scale wraps."""
    check_reflow(page)
    assert page.evaluate(_SMALL, TARGET) == []
    least = TARGET if width >= 390 else NARROW_STEP
    for row in page.evaluate(_SCALES):
        assert len(row) == 7
        assert len({top for top, _width, _height in row}) == 1, "the seven steps stand in one row"
        assert all(step >= least and height >= STEP_HEIGHT for _top, step, height in row)

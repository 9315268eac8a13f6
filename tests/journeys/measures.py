"""What is measured on every page of a journey, by the browser itself.

Reflow without scrolling sideways: WCAG 2.2, 1.4.10, which lets tables of data scroll within themselves. Targets of 44 by 44 CSS px: 2.5.5 (level AAA, kept all the same).
"""

from collections.abc import Iterator

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
  .filter((e) => !e.closest('svg, .scroll, .wide') && !e.closest('.hidden-words') && !e.matches('.hidden-words') && e.checkVisibility())
  .filter((e) => e.getBoundingClientRect().right > document.documentElement.clientWidth + 1)
  .map((e) => e.outerHTML.slice(0, 80))"""


def reflow_faults(page: Page) -> Iterator[str]:
    """Give how far the page scrolls sideways, and what reaches over its edge."""
    page.wait_for_load_state()  # a page that has come may still wait for its styles
    beyond = page.evaluate(_BEYOND)
    if beyond > 0:
        yield f"scrolls sideways by {beyond} px"
    yield from (f"over the edge: {each}" for each in page.evaluate(_CUT))


def faults(page: Page, width: int) -> Iterator[str]:
    """Give where the page scrolls sideways, a main control is small, or a row of seven steps wraps or is small."""
    yield from reflow_faults(page)
    yield from (f"below {TARGET} px: {each}" for each in page.evaluate(_SMALL, TARGET))
    least = TARGET if width >= 390 else NARROW_STEP
    for row in page.evaluate(_SCALES):
        if len(row) != 7 or len({top for top, _width, _height in row}) != 1:
            yield f"the seven steps: got {row}, expected them in one row"
        if any(step < least or height < STEP_HEIGHT for _top, step, height in row):
            yield f"the seven steps: got {row}, expected {least} x {STEP_HEIGHT} px or more each"


def check_reflow(page: Page) -> None:
    """Fail where the page scrolls sideways or something reaches over its edge."""
    found = list(reflow_faults(page))
    assert found == [], f"{page.url}: {found}"


def check(page: Page, width: int) -> None:
    """Fail where the page scrolls sideways, a target is small, or a scale wraps."""
    found = list(faults(page, width))
    assert found == [], f"{page.url} at {width} px: {found}"

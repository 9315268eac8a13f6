"""What is measured on every page of a journey, by the browser itself.

Reflow without scrolling sideways: WCAG 2.2, 1.4.10, which lets tables of data scroll within themselves. Targets of 44 by 44 CSS px: 2.5.5 (level AAA, kept all the same), but at
the desk where a mouse points, of 32 (2.5.8, level AA, asks for 24).
Edges of controls: 1.4.11, by the definitions of 'relative luminance' and 'contrast ratio'; that of text axe-core measures.
"""

from collections.abc import Iterator

from playwright.sync_api import Page

TARGET, AT_THE_DESK = 44, 32
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
_COMPACT = """() => document.querySelector('.desk') !== null && matchMedia('(pointer: fine) and (min-width: 46.01rem)').matches"""
_BEYOND = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
EDGE = 3
"""The least contrast of a control's edge with what lies around it."""
_FAINT = """(least) => {
  const parts = (colour) => colour.match(/[0-9.]+/g).map(Number);
  const linear = (c) => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4;
  const luminance = ([r, g, b]) => 0.2126 * linear(r / 255) + 0.7152 * linear(g / 255) + 0.0722 * linear(b / 255);
  const ground = (e) => {
    for (; e; e = e.parentElement) {
      const colour = parts(getComputedStyle(e).backgroundColor);
      if (colour.length < 4 || colour[3] === 1) return colour;
    }
    return [255, 255, 255];
  };
  const ratio = (one, other) => {
    const [low, high] = [luminance(one), luminance(other)].sort((a, b) => a - b);
    return (high + 0.05) / (low + 0.05);
  };
  return [...document.querySelectorAll('select, .choice, .choice input, .seven > *, input[type=text], input[type=email], input[type=tel]')]
    .filter((e) => e.checkVisibility() && !e.matches('.hidden-words') && parseFloat(getComputedStyle(e).borderTopWidth) > 0)
    .map((e) => ({what: e.outerHTML.slice(0, 80), found: ratio(parts(getComputedStyle(e).borderTopColor), ground(e.parentElement))}))
    .filter(({found}) => found < least)
    .map(({what, found}) => `${what}: ${found}`);
}"""
_CUT = """() => [...document.querySelectorAll('main *')]
  .filter((e) => !e.closest('svg, .scroll, .wide') && !e.closest('.hidden-words') && !e.matches('.hidden-words') && e.checkVisibility())
  .filter((e) => e.getBoundingClientRect().right > document.documentElement.clientWidth + 1)
  .map((e) => e.outerHTML.slice(0, 80))"""

_BY_LETTERS = """() => [...document.querySelectorAll('main :is(p, span, b, td, th, dd, dt, li, a)')]
  .filter((e) => e.childElementCount === 0 && e.textContent.trim().length > 11 && e.checkVisibility() && !e.closest('svg, .hidden-words'))
  .map((e) => ({what: e.textContent.trim().slice(0, 40), box: e.getBoundingClientRect(), size: parseFloat(getComputedStyle(e).fontSize)}))
  .filter(({box, size}) => box.width < 3 * size && box.height > 8 * size)
  .map(({what}) => what)"""


def reflow_faults(page: Page) -> Iterator[str]:
    """Give how far the page scrolls sideways, what reaches over its edge, and text that stands letter below letter."""
    page.wait_for_load_state()  # a page that has come may still wait for its styles
    beyond = page.evaluate(_BEYOND)
    if beyond > 0:
        yield f"scrolls sideways by {beyond} px"
    yield from (f"over the edge: {each}" for each in page.evaluate(_CUT))
    yield from (f"a column of letters: {each}" for each in page.evaluate(_BY_LETTERS))


def faults(page: Page, width: int) -> Iterator[str]:
    """Give where the page scrolls sideways, a main control is small, or a row of seven steps wraps or is small."""
    yield from reflow_faults(page)
    target = AT_THE_DESK if page.evaluate(_COMPACT) else TARGET
    yield from (f"below {target} px: {each}" for each in page.evaluate(_SMALL, target))
    yield from (f"an edge below {EDGE} : 1: {each}" for each in page.evaluate(_FAINT, EDGE))
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

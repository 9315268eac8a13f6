"""Accessibility as a browser measures it: axe-core by the tags of WCAG 2.2 AA, and what it does not see.

axe-core checks contrast, names, roles, structure and the 24 px targets (2.5.8). Measured here besides: reflow at 320 CSS px
(1.4.10), letters of twice the size (1.4.4) by the reader's own setting, targets with no exception for free space around them,
main controls of 44 px (2.5.5, level AAA), and the row of seven steps.
"""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import cache
from importlib.resources import files
from typing import Any, Literal

from playwright.sync_api import Page

from tests.journeys import measures

TAGS = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa")
OF_COLOURS = ("color-contrast", "link-in-text-block")
"""The rules whose outcome can differ between a light and a dark scheme: the styles change colours there and nothing else."""
NARROWEST, PHONE, DESK = 320, 390, 1024
LEAST_TARGET = 24
USUAL_LETTERS = 16
"""CSS px of a browser's letters unless its reader says otherwise."""
Scheme = Literal["light", "dark"]

_RUN = """async (rules) => {
  const only = rules ? {type: 'rule', values: rules} : {type: 'tag', values: %r};
  const found = await axe.run(document, {runOnly: only, resultTypes: ['violations'], elementRef: false});
  return {ran: found.passes.length + found.violations.length,
    broken: found.violations.flatMap((rule) => rule.nodes.map((node) =>
      `${rule.id}: ${node.html.slice(0, 160)} (${(node.any.concat(node.all, node.none)[0] || {}).message || ''})`))};
}""" % (list(TAGS),)  # noqa: UP031 - the script is full of braces
_SMALL = """(least) => [...document.querySelectorAll('a[href], button, input:not([type=hidden]), select, textarea, summary')]
  .filter((e) => e.checkVisibility({checkVisibilityCSS: true}) && !e.matches('.skip, .hidden-words, :disabled'))
  .filter((e) => !(e.matches('a') && getComputedStyle(e).display === 'inline' && e.closest('p, li, dd, td, th, figcaption, small')
    ?.textContent.trim() !== e.textContent.trim()))
  .map((e) => [e.outerHTML.slice(0, 100), [e, ...(e.labels || [])].map((part) => part.getBoundingClientRect())])
  .map(([what, boxes]) => [what, Math.max(...boxes.map((b) => b.width)), Math.max(...boxes.map((b) => b.height))])
  .filter(([_, width, height]) => width < least - 0.01 || height < least - 0.01)
  .map(([what, width, height]) => `${what}: ${width} x ${height}`)"""
# A line of text: one box of one text node. A line that lies over another, that reaches out of the block around it, or that an
# ancestor clips, cannot be read. What stays in view while the rest scrolls, and a dialog, lie over it on purpose.
_LINES = """
  const shown = (e) => e.checkVisibility({checkVisibilityCSS: true, checkOpacity: true}) && !e.closest('.hidden-words, .skip, option, select')
    && getComputedStyle(e).clipPath === 'none' && !e.closest('[data-clipped]');
  document.querySelectorAll('body *').forEach((e) => { if (getComputedStyle(e).clipPath !== 'none') e.dataset.clipped = ''; });
  const lines = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    if (!node.data.trim() || node.parentElement.closest('script, style, template') || !shown(node.parentElement)) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    for (const box of range.getClientRects()) {
      if (box.width > 1 && box.height > 1) lines.push({text: node.data.trim().slice(0, 50), parent: node.parentElement, box});
    }
  }
"""
_UNREADABLE = (
    "() => {"
    + _LINES
    + """
  const over = [], layer = (e) => e.closest('dialog, footer.bar, .aside, .beside thead');
  lines.sort((a, b) => a.box.top - b.box.top);
  lines.forEach((one, at) => {
    for (let next = at + 1; next < lines.length && lines[next].box.top < one.box.bottom - 3; next += 1) {
      const other = lines[next], a = one.box, b = other.box;
      const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (wide > 2 && high > 0.35 * Math.min(a.height, b.height) && layer(one.parent) === layer(other.parent))
        over.push(`'${one.text}' lies over '${other.text}'`);
    }
    if (one.parent.closest('svg')) return;
    const scrolls = (e) => /auto|scroll/.test(getComputedStyle(e).overflowX);
    for (let e = one.parent; e && e !== document.body; e = e.parentElement) {
      const style = getComputedStyle(e), frame = e.getBoundingClientRect();
      if (scrolls(e)) break;
      if (style.display === 'inline' || style.display === 'contents') continue;
      // A space at the end of a line of preformatted text hangs out of it (CSS Text 3, 4.1.3).
      const hanging = /pre-wrap/.test(style.whiteSpace) ? parseFloat(style.fontSize) : 0;
      if (one.box.right > frame.right + hanging + 1.5 || one.box.left < frame.left - 1.5) {
        over.push(`'${one.text}' reaches out of <${e.tagName.toLowerCase()} class="${e.className}">`);
        break;
      }
      if (/hidden|clip/.test(style.overflowY) && one.box.bottom > frame.bottom + 2) {
        over.push(`'${one.text}' is cut by <${e.tagName.toLowerCase()} class="${e.className}">`);
        break;
      }
    }
  });
  return [...new Set(over)];
}"""
)


@cache
def _axe() -> str:
    return files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")


def violations(page: Page, rules: tuple[str, ...] = ()) -> list[str]:
    """Return what axe-core finds broken by all of `TAGS`, or by some rules only.

    The policy of the pages forbids scripts that are written into them; what the driver evaluates is no part of the page.
    """
    for frame in page.frames:
        if not frame.evaluate("() => 'axe' in window"):
            frame.evaluate(_axe())
    found: Mapping[str, Any] = page.evaluate(_RUN, list(rules) or None)
    if not rules and not found["ran"]:
        msg = f"{page.url}: got no rule that applied, expected a page"
        raise AssertionError(msg)
    return list(found["broken"])


def in_both_schemes(page: Page) -> Iterator[tuple[Scheme, str]]:
    """Give what axe-core finds: by every rule in the light, by those of colours in the dark."""
    page.emulate_media(color_scheme="light")
    yield from (("light", each) for each in violations(page))
    page.emulate_media(color_scheme="dark")
    yield from (("dark", each) for each in violations(page, OF_COLOURS))
    page.emulate_media(color_scheme="light")


def unreadable(page: Page) -> list[str]:
    """Return the lines of text that lie over others, reach out of their block, or are clipped."""
    return list(page.evaluate(_UNREADABLE))


def small_targets(page: Page) -> list[str]:
    """Return the controls below 24 by 24 CSS px; links within a sentence are as high as its line (2.5.8)."""
    return list(page.evaluate(_SMALL, LEAST_TARGET))


@contextmanager
def letters_twice_as_large(page: Page) -> Iterator[None]:
    """Let the reader have set the browser's letters to 200 % inside the block."""
    driver = page.context.new_cdp_session(page)

    def set_to(size: int) -> None:
        driver.send("Page.setFontSizes", {"fontSizes": {"standard": size, "fixed": size * 13 // 16}})

    set_to(2 * USUAL_LETTERS)
    try:
        yield
    finally:
        set_to(USUAL_LETTERS)
        driver.detach()


def measured(page: Page) -> Iterator[str]:
    """Give what is too small, cut, or over something else: at 320 px, on a phone, and with letters twice as large."""
    for width in (NARROWEST, PHONE):
        page.set_viewport_size({"width": width, "height": 800})
        yield from (f"at {width} px: {each}" for each in _of_width(page, width))
    page.set_viewport_size({"width": DESK, "height": 800})
    with letters_twice_as_large(page):
        grown = page.evaluate("() => parseFloat(getComputedStyle(document.body).fontSize)")
        if grown < 2 * USUAL_LETTERS:
            yield f"with letters of 200 %: got text of {grown} px, expected {2 * USUAL_LETTERS} or more"
        yield from (f"with letters of 200 %: {each}" for each in (*measures.reflow_faults(page), *unreadable(page)))


def _of_width(page: Page, width: int) -> Iterator[str]:
    yield from (*measures.faults(page, width), *unreadable(page), *small_targets(page))

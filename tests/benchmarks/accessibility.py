"""Every page in every language, light and dark, by axe-core (WCAG 2.2 AA), and measured small and large: what is wrong, and how long it took."""

import argparse
import re
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from service.modelling import fits
from tests import browser as chromium
from tests.benchmarks._demo import demo_settings, opened
from tests.journeys import accessibility, every_page, one_of_each
from tests.journeys.conftest import FLAGS
from tests.journeys.every_page import LANGUAGES, PAGES, Visit
from tests.journeys.one_of_each import World
from tests.journeys.walks import WALKS


def main(argv: Sequence[str]) -> int:
    """Look at every page in each language and print what is wrong; status 1 where anything is."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks accessibility", description=__doc__)
    parser.add_argument("--languages", default=" ".join(LANGUAGES), help=f"which (default: {' '.join(LANGUAGES)})")
    parser.add_argument("--only", default="", metavar="PART", help="only routes and walks with this in their name")
    parser.add_argument("--pictures", type=Path, metavar="FOLDER", help="keep a picture of every page at 390 px")
    asked = parser.parse_args(argv)
    names = [name for name in (*PAGES, *WALKS) if asked.only in name]
    with tempfile.TemporaryDirectory(prefix="accessibility-") as folder, demo_settings() as settings:
        with opened(settings) as filled:
            fits.fit(filled)
        with one_of_each.opened(Path(folder), filled) as world, sync_playwright() as driver:
            browser = driver.chromium.launch(executable_path=chromium.path(), headless=True, args=FLAGS)
            print("python -m tests.benchmarks accessibility\n")
            wrong = sum(_in(world, browser, code, names, asked.pictures) for code in asked.languages.split())
            browser.close()
    print(f"\n{wrong} violations; tags {' '.join(accessibility.TAGS)}, {chromium.path()}, headless.")
    return 1 if wrong else 0


def _in(world: World, browser: Browser, language: str, names: Sequence[str], pictures: Path | None) -> int:
    """Look at the pages in one language; print and return how much is wrong."""
    began, pages, found = time.monotonic(), list[str](), list[str]()
    for name in names:
        look = _looking(language, name, pages, found, pictures)
        try:
            with Visit(world, browser, language, look) as visit:
                every_page.gone(visit, name, WALKS)
        except Exception as error:  # noqa: BLE001 - whatever keeps a page from being reached is one of the findings
            found.append(f"{name}: not gone to its end: {type(error).__name__}: {' '.join(str(error).split())[:300]}")
    print(f"{language}: {len(pages)} pages, {len(found)} violations, {time.monotonic() - began:.0f} s", flush=True)
    print(*(f"  {each}" for each in found), sep="\n" if found else "", end="\n" if found else "", flush=True)
    return len(found)


def _looking(
    language: str, name: str, pages: list[str], found: list[str], pictures: Path | None
) -> Callable[[Page, str], None]:
    def look(page: Page, what: str) -> None:
        pages.append(what)
        found.extend(f"{name}, {what}, {scheme}: {each}" for scheme, each in accessibility.in_both_schemes(page))
        found.extend(f"{name}, {what}: {' '.join(each.split())}" for each in accessibility.measured(page))
        if pictures is not None:
            page.set_viewport_size({"width": accessibility.PHONE, "height": 800})
            file = re.sub(r"\W+", "-", f"{language}-{name}-{what}").strip("-")
            page.screenshot(path=pictures / f"{file}.png", full_page=True)
        page.set_viewport_size({"width": accessibility.DESK, "height": 800})

    return look

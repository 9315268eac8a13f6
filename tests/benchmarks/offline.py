"""Fifty trials on a tablet in bad weather, seeded: cuts, reloads, closed tabs, 503s, lost replies; is every rating stored once?"""

import argparse
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from tests import browser as chromium
from tests.journeys import offline, shop
from tests.journeys.conftest import FLAGS

SCHEDULES = 50
HEAD = ("seed", "revisions", "cuts", "reloads", "closed", "503", "lost replies", "dropped", "each once")


def main(argv: Sequence[str]) -> int:
    """Play the schedules and print what went wrong in each and what was stored; status 1 where anything was lost or doubled."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks offline", description=__doc__)
    parser.add_argument(
        "--schedules", type=int, default=SCHEDULES, metavar="N", help=f"how many (default: {SCHEDULES})"
    )
    parser.add_argument("--first", type=int, default=1, metavar="SEED", help="seed of the first (default: 1)")
    asked = parser.parse_args(argv)
    began = time.monotonic()
    with (
        tempfile.TemporaryDirectory(prefix="offline-") as folder,
        shop.opened(Path(folder)) as site,
        sync_playwright() as driver,
    ):
        browser = driver.chromium.launch(executable_path=chromium.path(), headless=True, args=FLAGS)
        print("python -m tests.benchmarks offline\n")
        print("  ".join(HEAD))
        rows = []
        for seed in range(asked.first, asked.first + asked.schedules):
            rows.append(_one(browser, site, seed))
            print("  ".join(cell.rjust(len(head)) for cell, head in zip(rows[-1], HEAD, strict=True)), flush=True)
        browser.close()
    failed = sum(row[-1] != "yes" for row in rows)
    print(f"\n{len(rows) - failed} of {len(rows)} schedules: every rating given is in the database exactly once.")
    print(f"{time.monotonic() - began:.0f} s, {chromium.path()}, headless, a real service worker.")
    return 1 if failed else 0


def _one(browser: Browser, site: shop.Shop, seed: int) -> tuple[str, ...]:
    before = dict(site.weather.counted)
    try:
        key, given = offline.played(browser, site, seed)
        offline.check(site, key, given)
    except AssertionError as error:
        return (str(seed), *[""] * 7, f"NO: {str(error)[:200]}")
    faults = [site.weather.counted[name] - before[name] for name in ("busy", "lost", "dropped")]
    revisions = sum(map(len, given.sheets.values()))
    return (*map(str, (seed, revisions, given.cuts, given.reloads, given.closed, *faults)), "yes")

"""A day at the desk of a shop of years, walked in a browser: actions and seconds of each errand beside its goal."""

import argparse
import re
import shutil
import subprocess
import tempfile
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from playwright.sync_api import Page, sync_playwright
from sqlalchemy import text

from service import migrations, tables
from service.accounts import users
from service.advice import advise
from service.app import create_app
from service.core.database import Database
from service.questionnaire import forms
from service.web import staff_sessions
from tests import browser as chromium
from tests.benchmarks._figures import table
from tests.benchmarks.desk import SIZE
from tests.journeys import one_of_each
from tests.journeys.conftest import FLAGS
from tests.journeys.going import SECONDS, enter, follow
from tests.journeys.one_of_each import served
from tests.service import large_shop
from tests.service.client import settings_in

READER = "zbarimg"
"""A reader of QR codes that had no part in writing them (Debian's zbar-tools); without it that errand is left out."""


@dataclass
class Errand:
    """Somebody at the desk, who counts.

    Attributes
    ----------
    actions : clicks, and fields filled, each with its Enter if it has one.
    """

    page: Page
    shop: str
    database: Database
    actions: int = 0

    def begin(self, path: str) -> None:
        """Open the page where the errand begins; what came before is not counted."""
        self.page.goto(path)
        self.actions = 0

    def click(self, what: str, *, leads_on: bool = True) -> None:
        """Click something, which leads to another page unless told otherwise."""
        self.actions += 1
        if leads_on:
            follow(self.page, what)
        else:
            self.page.click(what)

    def find(self, typed: str) -> None:
        """Type into the field that every page has, and Enter."""
        self.actions += 1
        self.page.get_by_role("search").first.get_by_role("searchbox").fill(typed)
        enter(self.page)

    def fill(self, what: str, typed: str) -> None:
        """Fill a field of a form."""
        self.actions += 1
        self.page.fill(what, typed)

    def at(self, path: str) -> None:
        """Complain where this is not the page that was wanted."""
        assert re.fullmatch(path, self.page.url.removeprefix(self.shop)), f"got {self.page.url}, expected {path}"

    def enquire(self) -> tuple[str, str]:
        """Let a player ask; return the enquiry and the address of its answer."""
        asked = {"instrument": "cello", "budget": {"amount": 1600, "currency": "EUR"}, "dealer": large_shop.DEALER}
        with self.database.writing() as session:
            found: str = advise.advise(session, forms.check({**asked, "id": str(uuid.uuid4())}))["id"]
            return found, session.get_one(tables.Enquiry, found).address

    def played(self) -> str:
        """Have a trial composed, opened and every bow of it rated; return its key."""
        enquiry, _address = self.enquire()
        self.page.goto(f"/desk/compose?enquiry={enquiry}")
        follow(self.page, ".effect .go")
        follow(self.page, ".next .go")
        key = self.page.url.split("/desk/trials/")[1].partition("#")[0]
        with self.database.writing() as session:
            one_of_each.rate(session, key, (6, 4, 5, 3, 4, 6, 5, 4, 5, 3), dealer=large_shop.DEALER)
        return key


def by_name(errand: Errand) -> None:
    """Find a player by parts of a name."""
    errand.begin("/desk")
    errand.find("given7 family257")
    errand.click("main a[href='/desk/players/P-12157']")
    errand.at("/desk/players/P-12157")


def by_mail(errand: Errand) -> None:
    """Find a player by an address."""
    errand.begin("/desk")
    errand.find("player777@bows.example")
    errand.at("/desk/players/P-777")


def by_serial(errand: Errand) -> None:
    """Find a bow by its serial."""
    errand.begin("/desk")
    errand.find("SN-00421")
    errand.at("/desk/stock/SN-00421")


def by_trial(errand: Errand) -> None:
    """Find a trial by its number."""
    errand.begin("/desk")
    errand.find("12345")
    errand.at(r"/desk/trials/T-12344(#.*)?")


def by_enquiry(errand: Errand) -> None:
    """Find an enquiry of long ago by the number on its answer."""
    old, (new, _address) = "000005dc-0000-4000-8000-000000000000", errand.enquire()
    with errand.database.writing() as session:  # the shop of years has no advice in its enquiries
        session.get_one(tables.Enquiry, old).told = dict(session.get_one(tables.Enquiry, new).told)
    errand.begin("/desk")
    errand.find("000005DC")
    errand.at(f"/desk/enquiries/{old}")
    assert "In the words that the player read" in errand.page.inner_text("main")


def walk_in(errand: Errand) -> None:
    """Lead somebody from the door to the first bow, asked for name and consent."""
    errand.begin("/desk")
    errand.click("main a[href='/desk/compose']")
    errand.click("label:has([id='instrument-cello'])", leads_on=False)
    errand.click("label:has(#budget-4000)", leads_on=False)
    errand.click(".walk-in .go")
    errand.fill("#name", "Bo Lind (invented)")
    errand.click("label:has(#consent_advice)", leads_on=False)
    errand.click(".effect .go")
    errand.click(".next .go")
    assert "Hand over next" in errand.page.inner_text("#order")


def composed(errand: Errand) -> None:
    """Turn an enquiry on Today into a trial composed."""
    enquiry, _address = errand.enquire()
    errand.begin("/desk")
    errand.click(f"main [href='/desk/enquiries/{enquiry}']")
    errand.click("text=Compose a trial")
    errand.click(".effect .go")
    errand.at(r"/desk/trials/[^/]+")


def ended(errand: Errand) -> None:
    """Note what came of a trial under way."""
    key = errand.played()
    errand.begin(f"/desk/trials/{key}")
    errand.click(".next .go")
    errand.click(".taps button >> nth=0")
    assert "Kept" in errand.page.inner_text(".outcome")


def undone(errand: Errand) -> None:
    """Take back what was noted of that trial, which is under way again."""
    errand.begin(errand.page.url.removeprefix(errand.shop))
    errand.click("text=Open it again …")
    errand.click("main .go")
    assert "Being played" in errand.page.inner_text("main")


def printed_number(errand: Errand) -> None:
    """Come from the number on a printed answer to its enquiry."""
    enquiry, address = errand.enquire()
    errand.page.goto(f"/advice/{address}/print")
    number = re.search(r"\b[0-9A-F]{8}\b", errand.page.inner_text("body"))
    assert number is not None
    errand.begin("/desk")
    errand.find(number[0])
    errand.at(f"/desk/enquiries/{enquiry}")


def printed_code(errand: Errand) -> None:
    """Come from the code on a printed answer, read by another reader, to its enquiry."""
    enquiry, address = errand.enquire()
    errand.page.goto(f"/advice/{address}/print")
    with tempfile.TemporaryDirectory() as folder:
        picture = Path(folder) / "code.png"
        errand.page.locator(".qr, .code svg").first.screenshot(path=picture)
        read = subprocess.run([READER, "--raw", "--quiet", picture], capture_output=True, text=True, check=True).stdout
    errand.begin("/desk")
    errand.find(read.strip())
    errand.at(f"/desk/enquiries/{enquiry}")


ERRANDS: Sequence[tuple[Callable[[Errand], None], int, float]] = (
    (by_name, 2, 10),
    (by_mail, 2, 10),
    (by_serial, 2, 10),
    (by_trial, 2, 10),
    (by_enquiry, 2, 10),
    (walk_in, 8, 60),
    (composed, 3, 30),
    (ended, 2, 15),
    (undone, 2, 15),
    (printed_number, 1, 10),
    (printed_code, 1, 10),
)
"""Each errand with its goals: actions at most, and seconds at most that the pages themselves take."""


def main(argv: Sequence[str]) -> int:
    """Walk every errand and print what it took; status 1 where one was not gone to its end, or misses its goal."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks journeys", description=__doc__)
    parser.add_argument("--only", default="", metavar="PART", help="only errands with this in their name")
    asked = parser.parse_args(argv)
    with tempfile.TemporaryDirectory(prefix="journeys-") as folder, _desk(Path(folder)) as errand:
        lines = [_walked(errand, *each) for each in ERRANDS if asked.only in each[0].__name__]
    print(f"{', '.join(f'{count:,} {name}' for name, count in SIZE.items())}; SQLite, {chromium.path()}\n")
    print(table(["errand", "actions", "goal", "seconds", "goal", ""], lines))
    return 1 if any(line[-1] not in ("", "left out") for line in lines) else 0


def _walked(errand: Errand, walk: Callable[[Errand], None], actions: int, seconds: float) -> tuple[str, ...]:
    name = (walk.__doc__ or "").rstrip(".")
    if walk is printed_code and shutil.which(READER) is None:
        return name, "", str(actions), "", f"{seconds:.0f}", "left out"
    began = time.monotonic()
    try:
        walk(errand)
    except Exception as error:  # noqa: BLE001 - whatever keeps an errand from its end is the finding
        return (
            name,
            "",
            str(actions),
            "",
            f"{seconds:.0f}",
            f"{type(error).__name__}: {' '.join(str(error).split())[:200]}",
        )
    took = time.monotonic() - began
    missed = "" if errand.actions <= actions and took <= seconds else "missed"
    return name, str(errand.actions), str(actions), f"{took:.1f}", f"{seconds:.0f}", missed


@contextmanager
def _desk(folder: Path) -> Iterator[Errand]:
    """Serve the shop and sign an adviser in."""
    database = Database(f"sqlite:///{folder}/bows.db")
    migrations.upgrade(database)
    large_shop.fill(database, today=datetime.now(UTC).date(), **SIZE)
    with database.writing() as session:
        session.execute(text("ANALYZE"))
        account = users.add(session, "adviser@bows.example", "adviser", large_shop.DEALER).account
        secret = staff_sessions.begin(session, account.id)
    database.close()
    app = create_app(settings_in(folder, demo=True, advice_per_minute=0))
    with served(app) as shop, sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium.path(), headless=True, args=FLAGS)
        context = browser.new_context(base_url=shop, locale="en")
        context.set_default_timeout(SECONDS * 1000)
        context.add_cookies([{"name": "desk", "value": secret, "url": shop}])
        yield Errand(context.new_page(), shop, app.state.database)
        browser.close()

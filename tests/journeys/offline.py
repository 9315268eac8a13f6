"""A player at a tablet in bad weather: what is tapped is drawn by a seed, and so is what goes wrong in between."""

import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from playwright.sync_api import Browser, BrowserContext, Page

from tests.journeys.shop import Shop, all_sent, enrolled, until_true

CRITERIA = ("overall", "response", "clarity", "dynamic_range", "steadiness")
GOES_BACK, GOES_WRONG, ANSWERS = 0.2, 0.35, 0.8
SHARE = 0.5
"""Of the requests in bad weather."""


@dataclass
class Given:
    """What the player gave, by position: every revision in order; and what went wrong meanwhile."""

    sheets: dict[int, list[tuple[dict[str, Any], str | None]]] = field(default_factory=dict)
    cuts: int = 0
    reloads: int = 0
    closed: int = 0


class Player:
    """Plays one trial through on an enrolled tablet."""

    def __init__(self, context: BrowserContext, shop: Shop, key: str, seed: int) -> None:
        self.context, self.shop, self.key = context, shop, key
        self.random = random.Random(seed)
        self.given = Given()
        self.page = self._opened()
        self.offline = False
        self.filled: dict[int, tuple[dict[str, Any], str | None]] = {}

    def _opened(self) -> Page:
        page = self.context.new_page()
        page.goto("/tablet")
        return page

    def play(self) -> Given:
        """Play from the first bow to the last, and wait until nothing waits to be sent any more."""
        self.page.click(f"[data-trial='{self.key}']")
        self.page.wait_for_selector("main[data-screen=start]")
        self.page.click("footer .go")
        self.page.wait_for_selector("main[data-screen=warm]")
        self.page.click("footer .go")
        self.random.choice([self._storm, self._cut, self._calm])()
        for _step in self._steps():
            self._rate()
        self._clear_up()
        return self.given

    def _steps(self) -> Iterator[int]:
        """Give a number for every bow shown, until the last one is given; now and then the player goes back."""
        shown = 0
        self.page.wait_for_selector("main[data-screen=bow]")
        while self.page.locator("main[data-screen=bow]").count():
            shown += 1
            yield shown
            going_back = self._position() > 1 and self.random.random() < GOES_BACK and shown < 12
            self._leave("back" if going_back else "next")

    def _position(self) -> int:
        return int(self.page.inner_text("#place").split()[1])

    def _rate(self) -> None:
        """Tap some answers, things going wrong in between."""
        position = self._position()
        ratings, note = self.filled.get(position, ({}, None))
        ratings = dict(ratings)
        for criterion in CRITERIA:
            if criterion == "overall" or self.random.random() < ANSWERS:
                ratings[criterion] = self.random.choice([1, 2, 3, 4, 5, 6, 7, "cannot_tell"])
                self.page.check(f"#{criterion}-{ratings[criterion]}")
                self._until_kept()
                self._perhaps_something_goes_wrong()
        if self.random.random() < 0.3:
            note = f"word {self.random.randrange(1000)}"
            self.page.fill("#note", note)
            self.page.dispatch_event("#note", "change")
            self._until_kept()
        self.filled[position] = (ratings, note)

    def _until_kept(self) -> None:
        until_true(
            self.page, "() => document.querySelector('form').dataset.kept !== 'no'", "what was tapped to be kept"
        )

    def _leave(self, button: str) -> None:
        """Go on or back; what stands on the sheet is then given. Sometimes the page is loaded anew in that very moment."""
        position, before = self._position(), self.page.inner_text("#place")
        sheet = self.filled[position]
        revisions = self.given.sheets.setdefault(position, [])
        if not revisions or revisions[-1] != sheet:
            revisions.append(sheet)
        self.page.click(f"footer [data-do={button}]")
        if self.random.random() < 0.15:
            self._reload()
            if self.page.locator("main[data-screen=bow]").count() and self.page.inner_text("#place") == before:
                self.page.click(f"footer [data-do={button}]")
        until_true(
            self.page,
            f"() => document.getElementById('screen').dataset.screen !== 'bow' || document.getElementById('place').textContent !== {before!r}",
            "another screen",
        )

    def _perhaps_something_goes_wrong(self) -> None:
        if self.random.random() < GOES_WRONG:
            self.random.choice([self._cut, self._join, self._reload, self._close, self._storm])()

    def _cut(self) -> None:
        self.given.cuts += not self.offline
        self.offline = True
        self.context.set_offline(True)

    def _join(self) -> None:
        self.offline = False
        self.context.set_offline(False)

    def _reload(self) -> None:
        self.given.reloads += 1
        self.page.reload()
        self._until_shown()

    def _close(self) -> None:
        self.given.closed += 1
        self.page.close()
        self.page = self._opened()
        self._until_shown()

    def _until_shown(self) -> None:
        """Wait for the trial, or, where the last sheet had been given, for the list."""
        until_true(
            self.page,
            "() => ['bow', 'waiting'].includes(document.getElementById('screen').dataset.screen)",
            "the bow to be shown again",
        )

    def _storm(self) -> None:
        self.shop.weather.share = SHARE

    def _calm(self) -> None:
        self.shop.weather.share = 0.0

    def _clear_up(self) -> None:
        self._calm()
        self._join()
        self.page.wait_for_selector("main[data-screen=thanks], main[data-screen=waiting]")
        all_sent(self.page)


def played(browser: Browser, shop: Shop, seed: int) -> tuple[str, Given]:
    """Play one trial by a seed on a tablet of its own; return the trial's key and what was given."""
    key = shop.new_trial()
    context = enrolled(browser, shop)
    try:
        return key, Player(context, shop, key, seed).play()
    finally:
        shop.weather.share = 0.0
        context.close()


def check(shop: Shop, key: str, given: Given) -> None:
    """Fail where anything given is not in the database exactly once, or anything else is."""
    stored = [(one.position, one.revision, dict(one.ratings), one.note) for one in shop.sheets(key)]
    expected = [
        (position, revision, ratings, note)
        for position, revisions in sorted(given.sheets.items())
        for revision, (ratings, note) in enumerate(revisions, start=1)
    ]
    stored.sort(key=lambda one: one[:2])
    assert stored == expected, f"got {stored}, expected {expected}"
    assert [one.flags for one in shop.sheets(key)] == [""] * len(expected)
    final = {position: revisions[-1] for position, revisions in given.sheets.items()}
    runs = {run.position: run for run in shop.runs(key)}
    assert runs.keys() == final.keys()
    for position, (ratings, note) in final.items():
        told = {name: value for name, value in ratings.items() if value != "cannot_tell"}
        assert {name: getattr(runs[position], name) for name in CRITERIA if name in told} == told
        assert set(runs[position].cannot_tell.split()) == set(ratings) - set(told)
        assert runs[position].note == note

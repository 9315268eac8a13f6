"""The answer's page, from stored documents: everything on it comes from there, and nothing is surer than it is."""

import datetime as dt
import re
import uuid
from collections.abc import Callable, Iterator
from gettext import NullTranslations
from pathlib import Path
from typing import Any

import pytest

import service
from service import tables
from service.web import templating
from tests.service.client import serving, settings_in
from tests.service.documents import ask, before_verdicts, document, entry, keep, under_the_prior
from tests.service.page import Element, Page, Reader
from tests.service.spoken import translated_by

MOST_BYTES = 110_000
"""With both faces."""
Shown = Callable[[dict[str, Any]], Page]


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reader]:
    with serving(settings_in(tmp_path_factory.mktemp("result"))) as client:
        yield Reader(client.app)


@pytest.fixture
def shown(reader: Reader) -> Shown:
    """Give a function that stores an advice and reads its page."""

    def show(doc: dict[str, Any]) -> Page:
        key = str(uuid.uuid4())
        with reader.app.state.database.writing() as session:
            session.add(
                tables.Enquiry(
                    id=key,
                    address=f"address-{key}",
                    created_at=dt.datetime.now(dt.UTC),
                    language="en",
                    answers=doc["answers"],
                    advice=doc,
                )
            )
        return reader.get(f"/advice/address-{key}")

    return show


def cells(page: Page, table: int = -1) -> list[list[str]]:
    rows = [e for e in page.all("tbody")[table].walk() if e.tag == "tr"]
    return [[e.text.strip() for e in row.walk() if e.tag in {"th", "td"}] for row in rows]


def test_the_page_tells_tiers_roles_prices_reasons_and_copies(shown: Shown) -> None:
    page = shown(document())
    assert page.h1 == "Worth a trial: four bows"
    assert "Double bass\u00a0· German hold\u00a0· orchestra\u00a0· up to €2,600" in page.text
    assert [e.text.strip() for e in page.all("h3")] == ["Juniper", "Rowan"]
    assert [e.text.strip() for e in page.of_class("price")] == ["€2,450", "€2,840"]
    assert next(e.text.strip() for e in page.of_class("role")) == "Fits you best"
    assert [e.text.strip() for e in page.of_class("bring")] == ["Try three Juniper.", "Try one Rowan."]
    assert "Compared with your own bow, expect a quicker response." in page.text
    assert "For €390 more than Juniper, it probably brings a wider range between soft and full" in page.text
    assert "€240 above your budget" in page.text


def test_the_picture_has_its_words_and_the_same_numbers_as_the_table(shown: Shown) -> None:
    page = shown(document())
    svg = page.of_class("picture")[0]
    assert svg.get("role") == "img"
    words = " ".join(page.by_id(name).text for name in svg.get("aria-labelledby").split())
    for name, expected, marks, beats in cells(page):
        low, high, chance = re.findall(r"\d+", marks)
        assert marks == f"{low}\u00a0–\u2060\u00a0{high} ({chance}\u00a0%)", "each set's own chance stands beside it"
        assert f"{name}: {expected}, from {low} to {high}." in words
        assert re.fullmatch(r"likely \(\d\d\u00a0%\)", beats)
    assert "Your bow: 4.0." in words


def test_one_step_is_marked_as_advised_in_words(shown: Shown) -> None:
    page = shown(document())
    steps = [e for e in page.of_class("steps")[0].walk() if e.tag == "li"]
    assert len(steps) == 6
    here = [step for step in steps if "advised" in step.text]
    assert [(step.get("aria-current"), step.text.split()[0]) for step in here] == [("true", "4")]


def test_what_to_play_how_sure_and_the_cautions_are_there(shown: Shown) -> None:
    page = shown(document(answers={"settings": ["jazz"]}))
    headings = [e.text.strip() for e in page.all("h2")]
    assert headings == [
        "The shortlist",
        "Side by side",
        "How you would probably like them",
        "How many bows",
        "How sure is this",
        "What to play during the trial",
        "Please note",
        "Have it mailed to you",
    ]
    assert "142 trials" in page.text
    assert "off-beat" in page.text
    assert "Stop at the first pain" in page.text


def test_while_the_prior_speaks_there_is_no_percentage_at_all(shown: Shown) -> None:
    page = shown(under_the_prior())
    assert not re.search(r"%|\d\s*per\s?cent\b", page.text)
    assert "3 trials" in page.text
    steps = [e for e in page.of_class("steps")[0].walk() if e.tag == "li"]
    assert all("likely" in step.text for step in steps)


@pytest.mark.parametrize(
    ("own_bow", "label", "heading"),
    [
        ({"state": "rated", "level": 4.0}, "your bow", "One of its bows liked better than yours"),
        ({"state": "unrated", "level": 4.6}, "an own bow, on average", "One of its bows liked better than yours"),
        ({"state": "none", "level": 5}, "a good bow: 5", "One of its bows called good"),
        ({"state": "unrated", "level": None}, None, "One of its bows liked better than yours"),
    ],
)
def test_the_line_across_is_named_for_what_it_is(
    shown: Shown, own_bow: dict[str, Any], label: str | None, heading: str
) -> None:
    page = shown(document(own_bow=own_bow))
    texts = [e.text.strip() for e in page.of_class("picture")[0].walk() if e.tag == "text"]
    assert (label in texts) if label else not page.of_class("own")
    assert heading in [e.text.strip() for e in page.all("th")]


def test_an_answer_without_tiers_says_so_and_shows_no_empty_parts(shown: Shown) -> None:
    nothing = {"code": "no_tier_in_currency", "values": {"currency": "XAU"}}
    page = shown(document(shortlist=[], trial=None, notes=[nothing]))
    assert page.h1 == "Nothing in the range fits these answers"
    assert not page.of_class("picture")
    assert not page.all("table")
    assert [e.text.strip() for e in page.all("h2")] == ["Please note", "Have it mailed to you"]
    assert "XAU" in page.text


def test_a_tier_that_is_not_carried_is_told_quietly(shown: Shown) -> None:
    page = shown(document(shortlist=[entry(), entry(name="Rowan", role="step_up", copies=0)]))
    quiet = [e for e in page.of_class("bring") if "quiet" in e.get("class").split()]
    assert [e.text.strip() for e in quiet] == ["Ask for Rowan if the others leave you wanting more."]


def test_the_listed_tiers_stand_side_by_side(shown: Shown) -> None:
    page = shown(document())
    heads = [e.text.strip() for e in page.all("thead")[0].walk() if e.tag == "th"]
    assert heads == ["Juniper", "Rowan"]
    assert cells(page, 0) == [
        ["Price", "€2,450", "€2,840"],
        ["Bows at hand today", "4", "1"],
        ["Typical weight", "133.6\u00a0g", "136\u00a0g"],
        ["Made of", "pernambuco", "pernambuco"],
        ["Expected mark, 1 to 7", "4.3", "4.3"],
        ["What speaks for it", "a quicker response", "a wider range between soft and full"],
        ["What speaks against it", "more work for arm and hand", "–"],
        ["In its maker’s words", "Quick to speak, for the orchestra", "–"],
    ]
    assert "For up to €500 more than Juniper there is Rowan" in page.text


def test_an_advice_of_before_verdicts_is_still_shown(shown: Shown) -> None:
    page = shown(before_verdicts())
    assert page.h1 == "Four bows to try, and why these"
    assert "Side by side" not in page.text
    assert "Bows of one model share their price and their purpose" in page.text


def test_to_keep_the_own_bow_is_the_headline_and_marks_no_step(shown: Shown) -> None:
    page = shown(keep())
    assert page.h1 == "Your own bow is hard to better with this budget"
    assert "From €4,100 on, with Yew Gate, that may change." in page.text
    assert next(e.text.strip() for e in page.of_class("role")) == "Comes nearest to your own bow"
    assert "advised" not in page.text
    assert "What to play, if you compare all the same" in page.text


def test_where_nothing_is_at_hand_there_is_nothing_to_play(shown: Shown) -> None:
    page = shown(ask())
    assert page.h1 == "Nothing suitable is at hand today"
    headings = [e.text.strip() for e in page.all("h2")]
    assert headings == [
        "The shortlist",
        "Side by side",
        "How you would probably like them",
        "How sure is this",
        "Please note",
        "Have it mailed to you",
    ]
    assert "There are three Juniper at the workshop: ask for them." in page.text


def test_names_from_files_are_escaped(shown: Shown) -> None:
    page = shown(document(shortlist=[entry(name="<script>alert(1)</script> & Sons")]))
    assert page.all("h3")[0].text.strip() == "<script>alert(1)</script> & Sons"
    assert "<script>alert" not in page.source


def test_the_serials_to_bring_are_not_for_the_player(shown: Shown) -> None:
    assert "DB-0388" not in shown(document()).source


def test_the_page_is_not_kept_listed_or_told_to_others(shown: Shown) -> None:
    headers = shown(document()).headers
    assert headers["cache-control"] == "no-store"
    assert headers["referrer-policy"] == "no-referrer"
    assert "noindex" in headers["x-robots-tag"]


def test_page_style_script_and_icon_weigh_little(reader: Reader, shown: Shown) -> None:
    page = shown(document())
    linked = [e.get("href") or e.get("src") for e in page.elements if e.tag in {"link", "script"}]
    weights = [len(reader.request("GET", address).content) for address in linked]
    assert len(page.source.encode()) + sum(weights) < MOST_BYTES


# Every text goes through gettext


class _Marked(NullTranslations):
    """Translates by marking, so that a text that was left out shows itself."""

    def gettext(self, message: str) -> str:
        return f"⟦{message}⟧"

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        return f"⟦{msgid1 if n == 1 else msgid2}⟧"


def _own_texts(element: Element) -> Iterator[str]:
    for part in element.inside:
        if isinstance(part, str):
            yield part.strip()
        elif part.tag != "script":
            yield from _own_texts(part)
    spoken = ("aria-label", "title", "alt", "placeholder")
    yield from (element.get(name) for name in spoken if name in element.attributes)


OWN_NAMES = {"English", "Deutsch", "Fran", "ais", "Italiano"}
"""Languages are named in themselves, so that who cannot read the page finds the own one."""


def _unmarked(page: Page) -> set[str]:
    texts = " ".join(_own_texts(page.all("html")[0]))
    while "⟦" in texts:
        texts = re.sub(r"⟦[^⟦⟧]*⟧", " ", texts)
    return set(re.findall(r"[A-Za-z]{2,}", texts)) - OWN_NAMES


def test_every_text_of_the_answer_can_be_translated(shown: Shown) -> None:
    with translated_by(_Marked()):
        page = shown(document())
    # Names, the maker's own words and the stick's material are the dealer's.
    assert _unmarked(page) == {"Juniper", "Rowan", "pernambuco", *["Quick", "to", "speak", "for", "the", "orchestra"]}


@pytest.mark.parametrize("step", ["instrument", "double-bass", "work", "own-bow", "wishes", "budget", "contact"])
def test_every_text_of_the_form_can_be_translated(reader: Reader, step: str) -> None:
    first = reader.send(reader.get("/"))
    reader.send(first, {"instrument": "double_bass", "hold": "german", "strings": "4"})
    with translated_by(_Marked()):
        page = reader.get(first.address.replace("instrument", step) + "?check=yes")
        start = reader.get("/")
    assert _unmarked(page) <= {"EUR", "mm"}
    assert _unmarked(start) == set()


def test_every_template_is_reached_by_name() -> None:
    names = templating.environment().list_templates(extensions=["html"])
    rooms = {path.name for path in Path(service.__file__).parent.iterdir() if path.is_dir()}
    assert {name.split("/")[0] for name in names} <= rooms
    assert {"web", "form", "advice", "trials", "accounts"} <= {name.split("/")[0] for name in names}
    for name in names:
        templating.environment().get_template(name)

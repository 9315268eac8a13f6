"""The model's page: it stands alone, names no player, says what is not known, and is written wholly or not at all."""

import calendar
import datetime as dt
import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import asdict
from gettext import NullTranslations
from itertools import pairwise
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import select

from model.choice import TERMS, ExclusionReason
from model.evaluation import Decision, PromotionReason
from model.features import FIXED
from model.preference import PriorSettings, report
from service import cli
from service.core.database import Database
from service.core.errors import ConflictError
from service.core.scopes import AllDealers
from service.modelling import catalogue, fits, fitted_words, versions
from service.modelling.model_page import ModelPage, figures, page_of, render, write
from service.tables import STATUSES, ModelVersion
from service.web import templating
from tests import factories
from tests.factories import Cells, row
from tests.service.page import Element, Page
from tests.service.spoken import translated_by

FILE_RULES = {"the policy allows inline code, or there is none", "inline <style>"}
"""Rules for pages that are served; a file has its style within, and its own policy."""
KEYS = re.compile(r"(visitor|occasion)-\d+")


def history(players: int = 6, copies: int = 5) -> dict[str, list[Cells]]:
    """The factories' history, its players and trials under keys that stand nowhere else, and an outcome for each."""
    tables = factories.history(players, copies)
    for run in tables["runs"]:
        run["player"] = run["player"].replace("P", "visitor-")
        run["trial"] = run["trial"].replace("T", "occasion-")
    keys = dict.fromkeys(run["trial"] for run in tables["runs"])
    tables["outcomes"] = [
        row("outcomes", trial=key, copy=None if number % 3 else "VN-1", outcome="none" if number % 3 else "kept")
        for number, key in enumerate(keys)
    ]
    tables["copies"][3]["status"] = "sold"
    tables["copies"].append(row("copies", copy="VN-99", tier="heron"))
    return tables


def filled(database: Database, folder: Path, tables: dict[str, list[Cells]]) -> Database:
    factories.load(database, folder / "given", tables)
    fits.fit(database)
    return database


@pytest.fixture(scope="module")
def fitted_file(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Path:
    """A database with the history, fitted twice; to be copied, not to be changed."""
    folder = tmp_path_factory.mktemp("fitted")
    shutil.copyfile(_migrated_file, folder / "bows.db")
    database = filled(Database(f"sqlite:///{folder / 'bows.db'}"), folder, history())
    fits.fit(database)
    database.close()
    return folder / "bows.db"


@pytest.fixture
def twice_fitted(tmp_path: Path, fitted_file: Path) -> Iterator[Database]:
    """A database of its own with the history and two versions."""
    shutil.copyfile(fitted_file, tmp_path / "fitted.db")
    database = Database(f"sqlite:///{tmp_path / 'fitted.db'}")
    yield database
    database.close()


def page_in(database: Database) -> ModelPage:
    with database.reading() as session:
        return page_of(session, AllDealers())


def read(page: ModelPage) -> Page:
    """The parsed file, which must keep every rule of a page but those for pages that are served."""
    reply = httpx.Response(200, text=render(page), request=httpx.Request("GET", "http://file/"))
    parsed = Page(reply)
    assert set(parsed.faults) == FILE_RULES
    return parsed


@pytest.fixture(scope="module")
def shown(fitted_file: Path) -> tuple[ModelPage, Page]:
    """The page of the second of two versions, as its context and as it is read."""
    database = Database(f"sqlite:///{fitted_file}")
    page = page_in(database)
    database.close()
    return page, read(page)


def cells(table: Element) -> list[list[str]]:
    rows = [e for e in table.walk() if e.tag == "tr"]
    return [[e.text.strip() for e in row.walk() if e.tag in {"th", "td"}] for row in rows]


# It stands alone


def test_the_file_asks_nothing_of_the_network_and_runs_nothing(shown: tuple[ModelPage, Page]) -> None:
    _context, page = shown
    assert {e.tag for e in page.elements} & {"script", "link", "img", "iframe", "object", "form"} == set()
    assert all(e.get("href").startswith("#") for e in page.elements if "href" in e.attributes)
    assert re.findall(r"@import|url\(\s*['\"]?(?!#)", page.source) == []
    (policy,) = [e.get("content") for e in page.all("meta", http_equiv="Content-Security-Policy")]
    assert policy == "default-src 'none'; style-src 'unsafe-inline'"


def test_nothing_on_the_page_tells_a_player_or_a_trial(shown: tuple[ModelPage, Page]) -> None:
    context, page = shown
    assert KEYS.findall(page.source) == []
    assert KEYS.findall(repr(context)) == []
    assert "6\u00a0players" in fitted_words.held(page.text)


def test_the_same_template_serves_a_page_of_the_desk(shown: tuple[ModelPage, Page]) -> None:
    context, _page = shown
    templates = templating.environment()
    text = templates.get_template("modelling/model.html").render(page=context, lang="en", frame="web/base.html")
    assert "<style>" not in text
    assert '<link rel="stylesheet" href="/static/style.css' in text
    assert all(tier.name in text for tiers in context.copies.values() for tier in tiers)


# What it tells


def test_every_picture_has_a_title_a_description_and_its_numbers_behind_a_fold(shown: tuple[ModelPage, Page]) -> None:
    _context, page = shown
    figures = page.all("figure")
    assert len(figures) == 6, "errors, coverage, overall, criteria and two tiers"
    for figure in figures:
        (picture,) = [e for e in figure.walk() if e.tag == "svg"]
        title, words = (page.by_id(name) for name in picture.get("aria-labelledby").split())
        assert (title.tag, words.tag) == ("title", "desc")
        assert title.text.strip()
        assert words.text.strip()
    folds = page.all("details")
    assert all(any(e.tag == "table" for e in fold.walk()) for fold in folds)
    assert len(folds) >= len(figures) - 2, (
        "errors and coverage share theirs, and overall stands in that of the criteria"
    )


def test_a_tiers_picture_says_what_its_table_says(shown: tuple[ModelPage, Page]) -> None:
    context, page = shown
    for of_instrument in context.copies.values():
        for tier in of_instrument:
            section = page.by_id(tier.anchor)
            words = next(e for e in section.walk() if e.tag == "desc").text
            (table,) = [e for e in section.walk() if e.tag == "table"]
            for serial, effect, interval, *_counts in cells(table)[1:]:
                if effect != "–":
                    low, high = interval.split("\u00a0to\u00a0")
                    assert f"{serial} {effect}, from {low} to {high}" in words


def test_the_figures_are_those_of_the_model(twice_fitted: Database) -> None:
    with twice_fitted.reading() as session:
        view = catalogue.current(session).view(versions.current(session))
    page = page_in(twice_fitted)
    effects = report.copy_effects(view)["heron"]
    (heron,) = [tier for tiers in page.copies.values() for tier in tiers if tier.anchor == "tier-heron"]
    best = effects.order[0]
    assert heron.numbers.rows[0][:2] == (effects.serials[best], fitted_words.signed(float(effects.mean[best])))
    shares = report.variance_shares(view)[0]
    assert [part.share for part in page.rating.parts] == [f"{100 * share:.0f}\u00a0%" for share in shares]
    started = {each.name: each for each in report.prior_vs_posterior(view, PriorSettings())}
    level = fitted_words.more_or_less(started["level"].after, started["level"].after_sd)
    assert (fitted_words.BEGINNINGS["level"], "4.40\u00a0±\u00a00.50", level) in page.beginnings.main.rows


def test_the_starting_values_are_those_that_the_version_was_fitted_from(twice_fitted: Database) -> None:
    with twice_fitted.writing() as session:
        for version in session.scalars(select(ModelVersion)):
            assert version.report["beliefs"] == asdict(PriorSettings())
            version.report = {**version.report, "beliefs": {"copy_sd": 0.99, "called_otherwise_then": 1.0}}
    rows = {each[0]: each[1] for each in page_in(twice_fitted).beginnings.main.rows}
    assert (rows[fitted_words.BEGINNINGS["copy"]], rows[fitted_words.BEGINNINGS["player"]]) == ("0.99", "0.70")


def test_best_worst_never_kept_and_never_rated_copies_are_named_but_for_those_gone(
    shown: tuple[ModelPage, Page],
) -> None:
    context, _page = shown
    tiers = {tier.anchor: tier for tiers in context.copies.values() for tier in tiers}
    told = {anchor: tier.notable for anchor, tier in tiers.items()}
    assert told["tier-heron"]["Never rated yet"] == ("VN-99",)
    # Every copy was in all of the trials, and of them only VN-1 was ever kept; VN-4 is sold.
    assert told["tier-heron"].get("Played, never kept") == ("VN-2 (6 trials)",)
    assert told["tier-plover"]["Played, never kept"] == ("VN-3 (6 trials)", "VN-5 (6 trials)")
    assert all({"Best liked", "Least liked"} <= of.keys() for of in told.values())


def test_with_few_trials_a_tiers_chance_is_in_words_without_a_figure(shown: tuple[ModelPage, Page]) -> None:
    context, _page = shown
    said = [tier.sentence for tiers in context.copies.values() for tier in tiers]
    assert all("%" not in sentence for sentence in said)
    assert any(word in said[0] for word in ("likely", "unlikely"))


def test_what_came_since_the_fit_is_said(twice_fitted: Database, tmp_path: Path) -> None:
    assert "Nothing has been added since this version was fitted." in page_in(twice_fitted).lead
    more = row("runs", trial="occasion-99", player="visitor-99")
    factories.load(twice_fitted, tmp_path / "more", {"runs": [more]})
    assert "have changed since this version was fitted" in page_in(twice_fitted).lead[-1]


def test_check_ups_over_time_and_why_a_version_is_used_are_shown(shown: tuple[ModelPage, Page]) -> None:
    context, _page = shown
    assert context.sureness.checkups is not None
    assert [line[0] for line in context.sureness.checkups.rows] == ["2", "1"]
    assert context.sureness.errors is not None
    assert [point.label for point in context.sureness.errors.points] == ["1", "2"]
    standing = {line[0]: line[3:] for line in context.versions.numbers.rows}
    assert standing["2"][0] == "in use"
    assert standing["1"][0] == "earlier"
    assert all(why != "–" for _standing, why in standing.values())


def test_a_candidate_is_shown_with_its_reason(twice_fitted: Database) -> None:
    decision = Decision(adopt=False, why=PromotionReason.UNREADABLE)
    with twice_fitted.writing() as session:
        first, second = session.scalars(select(ModelVersion).order_by(ModelVersion.id))
        second.adopted = False
        session.flush()
        first.adopted = True
        second.report, second.artifact = {**second.report, "used": False, "decision": decision.to_json()}, b""
    page = page_in(twice_fitted)
    assert page.versions.numbers.rows[0][3:] == ("candidate", "The version in use cannot be read.")
    assert page.versions.sentences == (
        "Version 1 is in use.",
        "Version 2 is newer and stays a candidate; the table says why.",
        (
            "Older versions can be put in use again as long as all together take no more than 250 MB; the version in use, the one "
            "before it and the newest always can."
        ),
        "Of version 2 only the check-up is left.",
    )


def test_a_version_that_cannot_be_read_is_told_with_the_one_that_stands_in(twice_fitted: Database) -> None:
    with twice_fitted.writing() as session:
        newest = session.scalars(select(ModelVersion).where(ModelVersion.adopted)).one()
        newest.artifact = newest.artifact[: len(newest.artifact) // 2]
        newest.fitted_at = dt.datetime(2031, 5, 1, tzinfo=dt.UTC)  # so that no process remembers it
    page = page_in(twice_fitted)
    assert page.versions.sentences[0] == (
        "Version 2 is in use. It cannot be read, so version 1 stands in, and is what this page shows."
    )
    assert page.facts.startswith("Version 1")


# Little or nothing to tell


TINY: dict[str, dict[str, list[Cells]]] = {
    "one run": {"tiers": [row("tiers")], "copies": [row("copies")], "runs": [row("runs")]},
    "only the own bow": {"tiers": [row("tiers")], "copies": [row("copies")], "runs": [row("runs", copy="own")]},
    "all alike": {
        "tiers": [row("tiers")],
        "copies": [row("copies")],
        "runs": [row("runs", trial=f"T{n}", player=f"P{n}", overall=4) for n in range(3)],
    },
    "a double bass": {
        **factories.bass_range(),
        "runs": [row("runs", instrument="double_bass", hold="german", copy="DB-1")],
    },
}


@pytest.mark.parametrize("name", TINY)
def test_a_tiny_history_gives_a_sound_page_that_says_how_little_it_knows(
    name: str, database: Database, tmp_path: Path
) -> None:
    tables = {**TINY[name], "copies": [cells | {"dealer": ""} for cells in TINY[name]["copies"]]}
    filled(database, tmp_path, tables)
    page = page_in(database)
    parsed = read(page)
    little = "That is little: the starting values still speak loudest."
    assert (little in page.lead) == (name != "only the own bow")
    nothing = "There is no trial on record in which a bow of the range was rated."
    assert (page.lead[0] == nothing) == (name == "only the own bow")
    assert page.lead[0].endswith(", on 2 March 2026.") == (name != "only the own bow")
    assert "No model is known well enough to be judged yet." in page.lead
    assert page.sureness.errors is None
    assert "was not checked on players held out" in parsed.text
    assert "That holds for none of the models yet." in page.thin_tiers.sentences
    assert page.keeping.sentences[0].startswith("No outcome tells yet what people keep")


def test_one_rated_copy_is_no_tier(database: Database, tmp_path: Path) -> None:
    filled(
        database,
        tmp_path,
        {**TINY["one run"], "copies": [row("copies", dealer=""), row("copies", copy="VN-2", dealer="")]},
    )
    (tier,) = next(iter(page_in(database).copies.values()))
    assert tier.sentence == "Of this model only VN-1 has been rated; never judge a model by one bow."
    assert list(tier.notable) == ["Never rated yet"]


def test_without_a_version_in_use_a_sentence_says_so(database: Database) -> None:
    with database.reading() as session, pytest.raises(ConflictError, match="No version of our estimate is in use yet"):
        page_of(session, AllDealers())


# Words


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
        elif part.tag != "style":
            yield from _own_texts(part)
    yield from (element.get(name) for name in ("aria-label", "title") if name in element.attributes)


def test_every_text_can_be_translated(twice_fitted: Database) -> None:
    with translated_by(_Marked()):
        page = read(page_in(twice_fitted))
    texts = " ".join(_own_texts(page.all("html")[0]))
    while "⟦" in texts:
        texts = re.sub(r"⟦[^⟦⟧]*⟧", " ", texts)
    assert set(re.findall(r"[A-Za-z]{2,}", texts)) <= {
        "VN",
        "Heron",
        "Plover",
        *calendar.month_name,
    }  # dates are the language's own


def test_every_part_column_term_and_status_has_its_words() -> None:
    assert set(fitted_words.PART_NAMES) == set(fitted_words.PART_MEANINGS) == set(report.VARIANCE_PARTS)
    assert set(fitted_words.CHOICE_TERMS) == set(TERMS)
    assert set(fitted_words.STATUSES) == set(STATUSES)
    assert all(fitted_words.column(each.name) for each in FIXED if each.name not in report.SPOKEN_OF)
    assert all(str(why) for why in ExclusionReason)


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.44, "+0.4"), (-1.25, "−1.2"), (0.04, "0.0"), (-0.04, "0.0"), (0.0, "0.0"), (1234.5, "+1,234.5")],
)
def test_a_difference_has_a_sign_unless_it_is_nothing(value: float, text: str) -> None:
    assert fitted_words.signed(value) == text


# Places


def test_bars_are_filled_from_end_to_end() -> None:
    picture = figures.composition("key", "title", [("Overall", [0.34, 0.13, 0.03, 0.5])])
    (bar,) = picture.bars
    ends = [(float(part.x[:-1]), float(part.width[:-1])) for part in bar.segments]
    assert ends[0][0] == 0
    assert all(x + width == pytest.approx(after) for (x, width), (after, _) in pairwise(ends))
    assert sum(ends[-1]) == pytest.approx(100)
    assert [part.label for part in bar.segments] == ["34\u00a0%", "13\u00a0%", "", "50\u00a0%"], "3 % has no room"
    assert "match 3\u00a0%" in picture.description


def test_effects_lie_between_names_and_edge_with_0_in_the_middle() -> None:
    rows = [figures.CopyEffect("VN-1", 0.1, 0.5, 0.9), figures.CopyEffect("VN-2", -3.0, -1.0, 3.0)]
    picture = figures.effects("key", "Heron", rows, limit=1.0)
    held = [float(place[:-1]) for each in picture.rows for place in (each.low, each.at, each.high)]
    zero = float(picture.zero[:-1])
    assert all(25 < place < 100 for place in held)
    assert [place > zero for place in held] == [True, True, True, False, False, True]
    assert zero == pytest.approx((held[3] + held[5]) / 2), "what lies beyond is held at the ends"
    assert picture.rows[-1].y < picture.foot < picture.numbers_y < picture.height


@pytest.mark.parametrize(
    ("ends", "limit"), [([], 1.0), ([0.2, -0.4], 1.0), ([-1.1, 0.3], 1.5), ([2.5], 2.5), ([-4.01], 4.5)]
)
def test_the_axis_reaches_every_end(ends: list[float], limit: float) -> None:
    assert figures.reach(ends) == limit


@pytest.mark.parametrize("limit", [1.0, 1.5, 2.0, 2.5, 4.5, 12.0])
def test_an_axis_has_three_to_five_numbers_with_0_among_them(limit: float) -> None:
    labels = [tick.label for tick in figures.effects("key", "Heron", [], limit).ticks]
    assert 3 <= len(labels) <= 5
    assert "0.0" in labels


def test_a_long_serial_shows_its_end() -> None:
    picture = figures.effects("key", "Heron", [figures.CopyEffect("WORKSHOP-2031-0417", -0.1, 0.0, 0.1)], 1.0)
    assert picture.rows[0].name == "…-2031-0417"
    assert "WORKSHOP-2031-0417" in picture.description


def test_points_over_time_are_higher_the_larger_and_lie_on_the_picture() -> None:
    marks = [
        figures.Mark("1", "a day", 1.05, 1.13),
        figures.Mark("2", "a day", 0.95, 1.12),
        figures.Mark("3", "a day", 1.3),
    ]
    picture = figures.over_time("key", "title", "words", marks, step=0.1)
    heights = [point.y for point in picture.points]
    assert heights[2] < heights[0] < heights[1], "a height in pixels counts from the top"
    assert [point.other_y is None for point in picture.points] == [False, False, True]
    assert all(0 < y <= picture.foot for y in heights)
    assert [tick.label for tick in picture.ticks] == ["0.9", "1.0", "1.1", "1.2", "1.3"]


# The command and its file


@pytest.fixture
def page(shown: tuple[ModelPage, Page]) -> ModelPage:
    return shown[0]


def test_the_file_is_written_and_an_earlier_one_replaced(page: ModelPage, tmp_path: Path) -> None:
    file = tmp_path / "model.html"
    write(file, page)
    first = file.read_text(encoding="utf-8")
    file.write_text("<!DOCTYPE html>older", encoding="utf-8")
    write(file, page)
    assert file.read_text(encoding="utf-8") == first == render(page)
    assert [each.name for each in tmp_path.iterdir()] == ["model.html"]


@pytest.mark.parametrize("content", [b"SQLite format 3\x00", b""])
def test_a_file_of_another_kind_is_not_overwritten(page: ModelPage, tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "bows.db"
    file.write_bytes(content)
    with pytest.raises(ConflictError, match="is there already and is no page; choose another name"):
        write(file, page)
    assert file.read_bytes() == content


def test_a_folder_is_not_overwritten(page: ModelPage, tmp_path: Path) -> None:
    with pytest.raises(ConflictError, match="is there already and is no page"):
        write(tmp_path, page)


def test_a_place_that_is_not_there_is_told_in_one_sentence(page: ModelPage, tmp_path: Path) -> None:
    with pytest.raises(ConflictError, match=r"nowhere/model.html cannot be written: No such file or directory\."):
        write(tmp_path / "nowhere" / "model.html", page)


def test_a_full_disk_leaves_the_earlier_page(page: ModelPage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "model.html"
    file.write_text("<!doctype html>older", encoding="utf-8")

    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ConflictError, match="cannot be written: No space left on device"):
        write(file, page)
    assert file.read_text(encoding="utf-8") == "<!doctype html>older"
    assert [each.name for each in tmp_path.iterdir()] == ["model.html"]


def test_the_command_writes_the_page_or_says_why_not(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:

    def run(*arguments: Any) -> int:
        return cli.main([str(part) for part in arguments], {"DATA_DIR": str(tmp_path / "var")})

    file = tmp_path / "model.html"
    run("migrate")
    assert run("fit", "--report", file) == 1
    assert (
        capsys.readouterr().err
        == "No version of our estimate is in use yet, so there is nothing to show; run `fit` first.\n"
    )
    assert not file.exists()
    run("load", factories.write(tmp_path / "given", factories.usual("tiers", "copies", "runs")))
    run("fit")
    assert run("fit", "--report", file) == 0
    assert capsys.readouterr().out.splitlines()[-1] == f"What the version in use has learnt is in {file}."
    assert file.read_text(encoding="utf-8").startswith("<!doctype html>")

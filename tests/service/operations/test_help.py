"""Help: every topic by command and at the desk, its links lead somewhere, and nothing that is written can break the page."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from service import cli
from service.operations.help import marking, topics
from tests.service import cast
from tests.service.cast import Desk

ROOT = Path(__file__).resolve().parents[3]
PROMISED = ("start", "operator", "files", "website", "api", "privacy", "security", "asvs", "model", "decisions")


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Iterator[Desk]:
    with cast.opened(tmp_path_factory.mktemp("help"), _migrated_file) as desk:
        yield desk


def test_the_topics_promised_are_there_and_every_page_has_one_heading() -> None:
    assert set(PROMISED) <= set(topics.NAMES)
    for topic in topics.TOPICS:
        assert topic.text.startswith("# "), topic.name
        assert len(re.findall(r"<h1\b", marking.marked(topic).html)) == 1, topic.name


def test_every_page_that_is_written_is_a_topic() -> None:
    assert {file.stem for file in topics.DOCS.glob("*.md")} <= set(topics.NAMES)


def test_the_command_lists_the_topics_and_prints_each(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["help"], {}) == 0
    listed = capsys.readouterr().out
    for topic in topics.TOPICS:
        assert re.search(rf"^{topic.name} +\S", listed, re.MULTILINE)
        assert cli.main(["help", topic.name], {}) == 0
        assert capsys.readouterr().out == topic.file.read_text(encoding="utf-8")


def test_a_topic_that_is_not_there_is_refused_with_the_list(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["help", "../../pyproject"], {}) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert all(name in line for name in topics.NAMES)


def test_help_is_there_where_the_settings_cannot_be_read(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check"], {"LOG_LEVEL": "loud"}) == 1
    assert cli.main(["help", "settings"], {"LOG_LEVEL": "loud"}) == 0
    assert "LOG_LEVEL" in capsys.readouterr().out


@pytest.mark.parametrize("topic", topics.TOPICS, ids=topics.NAMES)
def test_every_link_leads_to_a_page_or_a_file_and_every_anchor_is_there(topic: topics.Topic) -> None:
    for href in re.findall(r"(?<!!)\]\(([^)\s]+)\)", re.sub(r"```.*?```", "", topic.text, flags=re.DOTALL)):
        if not href.startswith(("http://", "https://")):
            path, _hash, part = href.partition("#")
            target = (topic.file.parent / path).resolve() if path else topic.file
            assert target.is_relative_to(ROOT), href
            assert target.is_file(), href
            anchors = re.findall(r' id="([^"]+)"', marking.render(target.read_text(encoding="utf-8")).html)
            assert not part or part in anchors, href
    at_the_desk = re.findall(r'href="/desk/help/([^"#]+)', marking.marked(topic).html)
    assert set(at_the_desk) <= set(topics.NAMES)


@pytest.mark.parametrize("topic", topics.TOPICS, ids=topics.NAMES)
def test_no_page_has_styles_scripts_pictures_or_an_anchor_twice(topic: topics.Topic) -> None:
    # Content Security Policy Level 3, 6.7.3: a style attribute is refused by the pages' policy.
    html = marking.marked(topic).html
    assert re.findall(r"<(?:script|style|img|iframe)\b|<[^>]+ (?:style|on\w+)=", html) == []
    anchors = re.findall(r' id="([^"]+)"', html)
    assert sorted(anchors) == sorted(set(anchors))


def test_html_in_a_text_is_shown_as_text_and_no_link_runs_a_script() -> None:
    # ASVS 5.0, 1.3.1 and 1.2.2.
    text = "# <b>One</b>\n\n<script>alert(1)</script> [run](javascript:alert(1)) [file](/etc/passwd) ![p](https://a.example/p.png)\n"
    html = marking.render(text).html
    assert "<script" not in html
    assert "<b>" not in html
    assert "<img" not in html
    assert "&lt;script&gt;" in html
    assert re.findall(r'href="(javascript:|/)', html) == []


def test_a_page_links_to_another_by_its_file_and_to_its_part() -> None:
    html = marking.render(
        "[a](files.md) [b](../../model/NOTATION.md) [c](files.md#the-columns) [d](../../README.md)"
    ).html
    assert re.findall(r'href="([^"]+)"', html) == [
        "/desk/help/files",
        "/desk/help/notation",
        "/desk/help/files#the-columns",
    ]
    assert "d</p>" in html


def test_headings_have_anchors_that_differ_where_their_words_do_not() -> None:
    marked = marking.render("# One\n\n## What `is` it?\n\n## What is it\n")
    assert [(part.anchor, part.words) for part in marked.parts] == [
        ("what-is-it", "What is it?"),
        ("what-is-it-1", "What is it"),
    ]


def test_the_desk_shows_every_topic_to_whoever_is_signed_in(desk: Desk) -> None:
    workshop = desk.sign_in("workshop")
    listed = workshop.read("/desk/help")
    for topic in topics.TOPICS:
        assert f"/desk/help/{topic.name}" in [link.get("href") for link in listed.all("a")]
        page = workshop.read(f"/desk/help/{topic.name}")
        assert [heading.text.strip() for heading in page.all("h1")] == [topic.title]
    assert workshop.get("/desk/help/nothing").status_code == 404


def test_nobody_reads_help_without_a_sign_in(desk: Desk) -> None:
    for address in ("/desk/help", "/desk/help/operator"):
        reply = desk.nobody().get(address)
        assert reply.status_code == 303
        assert reply.headers["location"].startswith("/desk/sign-in")


def test_an_example_wider_than_the_page_is_scrolled_by_the_keyboard() -> None:
    # WCAG 2.2, 2.1.1; axe-core's rule scrollable-region-focusable.
    html = marking.render("```python\nx = 1\n```\n\n    y = 2\n").html
    assert re.findall(r"<pre\b[^>]*>", html) == ['<pre tabindex="0">', '<pre tabindex="0">']


def test_what_stands_in_brackets_after_a_heading_is_no_part_of_the_list() -> None:
    marked = marking.render("# One\n\n## Ratings (`model.mixed`)\n")
    assert [part.words for part in marked.parts] == ["Ratings"]

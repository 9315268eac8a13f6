"""What the documents promise: README short and whole, every link of README and DEVELOPERS good, every command, package and file told of."""

import argparse
import re
import tomllib
from pathlib import Path

import pytest

from service.cli import command_line
from service.inventory.files.kinds import KINDS
from service.operations.help.marking import anchor_of
from service.operations.help.topics import TOPICS

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DOCS = ROOT / "service" / "docs"
KB = 1000


def links(text: str) -> list[str]:
    """Return where a page's links and pictures lead, but for those in its examples."""
    return re.findall(r"\]\(([^)\s]+)\)", re.sub(r"```.*?```", "", text, flags=re.DOTALL))


def page(name: str) -> str:
    return (DOCS / f"{name}.md").read_text(encoding="utf-8")


def test_the_readme_is_read_in_two_minutes() -> None:
    assert len(README.encode()) <= 6 * KB
    heads = re.findall(r"^## (.+)$", README, re.MULTILINE)
    assert heads[:3] == ["Run", "Test", "What it does"]
    assert [block.strip() for block in re.findall(r"```\n(.*?)```", README, re.DOTALL)] == [
        "bash .ci/demo",
        "bash .ci/test",
    ]
    assert len(re.findall(r"^\d+\. ", README, re.MULTILINE)) == 10


def test_the_readme_has_one_small_picture_with_words_for_who_cannot_see_it() -> None:
    ((words, file),) = re.findall(r"!\[([^\]]*)\]\(([^)]+)\)", README)
    assert len(words) > 20
    assert 5 * KB < (ROOT / file).stat().st_size <= 120 * KB


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_every_link_leads_to_a_file_and_a_part_of_it(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    assert links(text)
    for link in links(text):
        path, _hash, part = link.partition("#")
        assert (ROOT / path).exists(), link
        if part:
            heads = re.findall(r"^#+ (.+)$", (ROOT / path).read_text(encoding="utf-8"), re.MULTILINE)
            assert part in map(anchor_of, heads), link


def test_the_readme_leads_to_every_page_of_help() -> None:
    assert {topic.file for topic in TOPICS} <= {(ROOT / link.partition("#")[0]).resolve() for link in links(README)}


def test_every_package_stands_in_the_readme() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    lines = "\n".join(re.findall(r"^- (.*)$", README.split("## Packages, and why")[1], re.MULTILINE)).lower()
    named = {name.strip() for bold in re.findall(r"\*\*(.+?)\*\*", lines) for name in bold.split(",")}
    wanted = [*project["project"]["dependencies"], *project["dependency-groups"]["test"]]
    assert {re.split(r"[\[>=]", each)[0] for each in wanted} - named == set()


def verbs_of(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    """Return the parsers of the commands or verbs that a parser has."""
    found = [action for action in parser._actions if isinstance(action, argparse._SubParsersAction)]
    return {name: verb for each in found for name, verb in each.choices.items()}


def test_every_command_and_every_option_of_a_dealers_making_stands_on_the_operators_page() -> None:
    table = page("operator").split("## Commands")[1].split("\n## ")[0]
    told = set(re.findall(r"`([a-z]+)", "\n".join(re.findall(r"^\| (.*?) \|", table, re.MULTILINE))))
    assert told == set(command_line.TEXTS)
    for name in command_line.TEXTS:
        for verb in verbs_of(verbs_of(command_line.parser(name))[name]):
            assert f"`{name} {verb}" in table, f"{name} {verb}"


def test_every_file_stands_on_the_page_of_files() -> None:
    assert re.findall(r"^### (.+)$", page("files"), re.MULTILINE) == [kind.name for kind in KINDS]


def test_the_prose_of_the_pages_has_no_chains_of_semicolons() -> None:
    # Two in one sentence make a reader go back; tables and older pages may list things so.
    pages = {"README": README} | {name: page(name) for name in ("start", "operator", "website", "privacy", "model")}
    for name, text in pages.items():
        prose = re.sub(r"```.*?```|^\|.*$", "", text, flags=re.DOTALL | re.MULTILINE)
        assert [part for part in re.split(r"(?<=[.:!?])\s", prose) if part.count(";") > 1] == [], name


def test_the_drawing_shows_every_room_and_draws_no_arrow_against_the_imports() -> None:
    drawing = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("## The house")[1].split("```")[1]
    service, model = drawing.split("┌─ service")[1].split("┌─ model")
    for name, part in (("service", service), ("model", model)):
        rooms = {path.parent.name for path in (ROOT / name).glob("*/*.py")} - {"__pycache__", "migrations"}
        drawn = [word for word in re.findall(r"[a-z]+", part) if word in rooms]
        assert set(drawn) == rooms
        order = {room: drawn.index(room) for room in rooms}
        for path in (ROOT / name).glob("*/**/*.py"):
            room = path.relative_to(ROOT / name).parts[0]
            used = re.findall(rf"^(?:from|import) {name}\.(\w+)", path.read_text(encoding="utf-8"), re.MULTILINE)
            against = [other for other in used if room in order and order.get(other, order[room]) < order[room]]
            assert against == [], path


def test_the_way_from_a_rating_to_the_shortlist_is_twenty_files_each_used_by_one_before_it() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    steps = re.findall(
        r"^\d\. .*$", text.split("**From one rating to the shortlist**")[1].split("## The map")[0], re.MULTILINE
    )
    ways = [re.findall(r"`([\w/]+)\.py`", step) for step in steps]
    assert len([file for way in ways for file in way]) == 20
    for way in ways:
        for place, file in enumerate(way[1:], start=1):
            assert (ROOT / f"{file}.py").is_file(), file
            package, _, name = file.replace("/", ".").rpartition(".")
            # By its own name, or through the door of its room.
            uses = re.compile(rf"^from {package} import |^from {package}\.{name} import ", re.MULTILINE)
            texts = [(ROOT / f"{before}.py").read_text(encoding="utf-8") for before in way[:place]]
            assert any(uses.search(text) for text in texts), f"{file} is used by none of {way[:place]}"

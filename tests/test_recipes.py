"""The recipes of DEVELOPERS.md hold: four are followed step by step in a copy of the repository (a question in `test_question_added`), all name what is there."""

import ast
import re
from pathlib import Path

import pytest

from tests.recipes import ROOT, Copied, named, recipe

TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
RECIPES = TEXT.split("## Recipes\n")[1].split("\n## ")[0]
PLACES = ("", "service", "service/docs", "service/static", "model", "tests", "tests/service", "templates")


@pytest.fixture(scope="module")
def copied(tmp_path_factory: pytest.TempPathFactory) -> Copied:
    """One copy for all: recipes that are followed one after the other must not be in each other's way."""
    return Copied.made(tmp_path_factory.mktemp("copy"))


def where(name: str) -> list[Path]:
    """Return the files or folders that a name in a recipe may mean."""
    name = name.rstrip("/")
    exact = [ROOT / place / name for place in PLACES if (ROOT / place / name).exists()]
    return exact or (sorted((ROOT / "tests").rglob(name)) if "/" not in name else [])


def files_named() -> list[str]:
    """Return every file and folder that the recipes name, but for those that a recipe makes."""
    text = re.sub(r"```.*?```", "", RECIPES, flags=re.DOTALL)
    found = re.findall(r"`([\w./-]+(?:\.py|\.md|\.js|\.html|\.txt)|[\w.-]+(?:/[\w.-]+)*/)`", text)
    made = set(re.findall(r"As `([^`]+)`", text))
    return sorted({name for name in found if name not in made and not re.search(r"\b[A-Z]{4,}\b", name)})


def test_recipes_name_enough_to_be_worth_a_test() -> None:
    assert len(files_named()) > 30


@pytest.mark.parametrize("name", files_named())
def test_every_file_that_a_recipe_names_is_there(name: str) -> None:
    assert where(name), f"{name} is gone: mend the recipes of DEVELOPERS.md"


def test_every_name_that_a_recipe_gives_with_its_file_is_there() -> None:
    # `file.py` (`NAME`, `Class.NAME`) and `NAME` of `file.py`.
    text = re.sub(r"```.*?```", "", RECIPES, flags=re.DOTALL)
    pairs = [(file, name) for name, file in re.findall(r"`([\w.]+)` (?:of|in) `([\w./]+\.py)`", text)]
    for file, names in re.findall(r"`([\w./]+\.py)` \(((?:`[\w.]+`(?:, | and )?)+)\)", text):
        pairs += [(file, name) for name in re.findall(r"`([\w.]+)`", names)]
    assert len(pairs) > 12
    gone = [f"{name} of {file}" for file, name in pairs if not has(file, name)]
    assert gone == []


def has(file: str, name: str) -> bool:
    """Say whether a file has a name, a class's member (`Class.name`), or a member of any of its classes."""
    for path in where(file):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        node: ast.Module | ast.stmt | None = tree
        for part in name.split("."):
            node = named(node, part) if isinstance(node, ast.Module | ast.ClassDef) else None
        if node or any(named(each, name) for each in tree.body if isinstance(each, ast.ClassDef)):
            return True
    return False


def test_no_recipe_stands_twice() -> None:
    titles = re.findall(r"^(?:- \*\*(.+?)\*\*|### (.+)$)", RECIPES, re.MULTILINE)
    assert len(titles) > 20
    assert len(titles) == len(set(titles))


@pytest.mark.process
def test_a_role_made_by_its_recipe_may_what_it_says_and_no_more(copied: Copied, tmp_path: Path) -> None:
    assert copied.follow("A role") == 1
    assert copied.run("-c", ROLE, str(tmp_path)).split() == ["200", "403", "403", "403"]


ROLE = """
import sys
from pathlib import Path
from tests import migrated
from tests.service import cast

folder = Path(sys.argv[1])
migrated.put(folder / "empty.db")
cast.PEOPLE = {**cast.PEOPLE, "shelf": ("shelf", cast.DEALER)}
with cast.opened(folder, folder / "empty.db") as desk:
    shelf = desk.sign_in("shelf")
    print(shelf.get("/desk/stock").status_code)
    print(shelf.post("/desk/stock/DB-bramble-0/status", {"status": "in_repair"}).status_code)
    print(shelf.get("/desk/enquiries").status_code, shelf.get("/desk/users").status_code)
"""


@pytest.mark.process
def test_a_column_made_by_its_recipe_goes_in_and_comes_out(copied: Copied, tmp_path: Path) -> None:
    assert copied.follow("A column") == 4
    given, out = tmp_path / "given", tmp_path / "out"
    given.mkdir()
    (given / "tiers.csv").write_text("tier,instrument,grade,workshop_code\nelm,violin,1,E-1\n", encoding="utf-8")
    copied.run("-c", COLUMN, str(given), str(out))
    header, line = (out / "tiers.csv").read_text(encoding="utf-8").splitlines()
    assert dict(zip(header.split(","), line.split(","), strict=True))["workshop_code"] == "E-1"
    page = (copied.folder / "service" / "docs" / "files.md").read_text(encoding="utf-8")
    assert "| `workshop_code` | the workshop's own code | text on one line |" in page


COLUMN = """
import sys
from service import cli

given, out = sys.argv[1:]
for command in (["migrate"], ["load", given], ["dump", out]):
    assert cli.main(command) == 0, command
"""


@pytest.mark.process
def test_a_mail_made_by_its_recipe_reaches_its_reader(copied: Copied, tmp_path: Path) -> None:
    assert copied.follow("A mail") == 4
    told = copied.run("-c", MAIL, str(tmp_path))
    assert "ada@bows.example | Welcome to the desk | greeting of a new account" in told
    assert "Your account is ready." in told


MAIL = """
import sys
from pathlib import Path
from sqlalchemy import select
from service.accounts import account_mails, users
from service.core.database import Database
from service.mail import outbox_desk
from service.mail.mail_server import MailServer
from service.mail.mail_service import open_mail_service
from service.mail.sending import send_waiting
from service.registry import MAILS
from service.tables import OutboxItem, User
from tests import migrated
from tests.service.client import SECRET

folder = Path(sys.argv[1])
migrated.put(folder / "bows.db")
database = Database(f"sqlite:///{folder / 'bows.db'}")
mail_service = open_mail_service(MailServer(), folder / "mail", "https://bows.example", SECRET, MAILS)
with database.writing() as session:
    users.add(session, "ada@bows.example", "owner", None)
with database.writing() as session:
    account_mails.welcome(session, session.scalars(select(User)).one())
send_waiting(database, mail_service)
with database.reading() as session:
    row = session.scalars(select(OutboxItem).where(OutboxItem.kind == "welcome")).one()
    message = mail_service.transport.read(row.message_id)
from email import message_from_string, policy
parsed = message_from_string(message, policy=policy.default)
print(parsed["To"], "|", parsed["Subject"], "|", MAILS["welcome"].name)
print(parsed.get_body(("plain",)).get_content())
"""


def test_a_recipe_that_names_what_is_gone_fails(copied: Copied) -> None:
    with pytest.raises(AssertionError, match="names NOWHERE, which is not there"):
        copied._add("service/web/roles.py", "NOWHERE", "1\n")
    assert "### A role" in RECIPES
    assert recipe("A role")

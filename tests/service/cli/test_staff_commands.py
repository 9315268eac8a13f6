"""``dealers`` and ``users`` on the command line, and the accounts that a demonstration makes for its run."""

import re
from pathlib import Path

import pytest
from sqlalchemy import select

from service import cli as commands
from service import migrations, tables
from service.accounts import passwords, second_factor, users
from service.cli import staff_commands
from service.core.database import Database
from service.web import staff_sessions
from tests.service import cast
from tests.service.client import add_small_range, serving, settings_in

DEALER = ["dealers", "add", "harbour", "--name", "Harbour Strings", "--currency", "EUR"]
ABROAD = ["--language", "de", "--country", "AT"]
EVE = ["users", "add", "eve@bows.example", "--role", "adviser", "--dealer", "harbour"]


class Cli:
    """Runs commands on a migrated data folder and keeps what the last one said."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self._capsys = folder, capsys
        self.out = self.err = ""

    def __call__(self, *arguments: str, **environ: str) -> int:
        status = commands.main(list(arguments), {"DATA_DIR": str(self.folder), **environ})
        self.out, self.err = self._capsys.readouterr()
        return status


@pytest.fixture
def cli(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Cli:
    """The command line on a database with this version's tables."""
    made = Cli(tmp_path, capsys)
    assert made("migrate") == 0
    return made


def test_a_dealer_is_made_completed_and_listed(cli: Cli) -> None:
    assert cli("dealers", "list") == 0
    assert cli.out == "There is no dealer yet.\n"
    assert cli(*DEALER, *ABROAD) == 0
    assert cli.out == "dealer harbour: made\n"
    assert cli(*DEALER, *ABROAD, "--carry-cost", "0.05") == 0
    assert cli.out == "dealer harbour: completed\n"
    assert cli("dealers", "list") == 0
    assert cli.out == "harbour: Harbour Strings, EUR, de, AT, carry cost 0.05\n"


def test_a_dealer_that_cannot_be_is_refused_in_one_line_that_names_each_fault(cli: Cli) -> None:
    assert cli("dealers", "add", "The Harbour", "--name", "H", "--currency", "Euro", *ABROAD) == 1
    (line,) = cli.err.splitlines()
    assert line.startswith("slug: Expected a slug of small letters")
    assert "currency: Expected a currency by its ISO 4217 code" in line
    assert cli(*DEALER, *ABROAD, "--carry-cost", "much") == 2


def test_the_link_that_is_printed_sets_the_password_and_a_second_one_takes_its_place(cli: Cli) -> None:
    cli(*DEALER, *ABROAD)
    links = []
    for expected in ("made", "known already; an earlier link ends"):
        assert cli(*EVE) == 0
        assert cli.out.splitlines()[0] == f"eve@bows.example: adviser of harbour, {expected}"
        assert "within 72 hours" in cli.out
        links += re.findall(r"^http://127\.0\.0\.1:8000(/desk/password/\S{40,})$", cli.out, re.MULTILINE)
    assert len(links) == 2
    with serving(settings_in(cli.folder)) as client:
        nobody = cast.Member(client.app)
        assert [nobody.get(link).status_code for link in links] == [404, 200]


def test_a_second_factor_is_reset_by_the_operator(cli: Cli) -> None:
    # ASVS 5.0, 6.4.4: who has lost the factor is known to the operator, who has proof of who asks.
    cli(*DEALER, *ABROAD)
    cli(*EVE)
    database = Database(f"sqlite:///{cli.folder / 'bows.db'}")
    with database.writing() as session:
        user = users.known(session, "eve@bows.example")
        second_factor.set_up(session, user, second_factor.draw_secret(), 0)
        secret = staff_sessions.begin(session, user)
    assert cli("users", "reset-factor", "Eve@bows.example") == 0
    assert "eve@bows.example: second factor removed; every session of it has ended" in cli.out
    with database.reading() as session:
        assert second_factor.of_user(session, user) is None
        assert staff_sessions.find(session, secret) is None
        kinds = [row.values.get("what") for row in session.scalars(select(tables.OutboxItem))]
        did = list(session.scalars(select(tables.AuditEntry.did)))
    database.close()
    assert "factor_reset" in kinds
    assert "reset the second factor of an account" in did
    assert cli("users", "reset-factor", "eve@bows.example") == 0
    assert "has no second factor" in cli.out
    assert cli("users", "reset-factor", "nobody@bows.example") == 1


def test_the_link_stands_under_the_public_address(cli: Cli) -> None:
    assert cli("users", "add", "o@bows.example", "--role", "owner", PUBLIC_ADDRESS="https://bows.example/") == 0
    assert re.search(r"^https://bows\.example/desk/password/\S{40,}$", cli.out, re.MULTILINE)


def test_accounts_are_listed_and_disabled(cli: Cli) -> None:
    assert cli("users", "list") == 0
    assert cli.out == "There is no account yet.\n"
    cli(*DEALER, *ABROAD)
    cli(*EVE)
    assert cli("users", "disable", "EVE@bows.example") == 0
    assert cli.out == "eve@bows.example: disabled; every session of it has ended\n"
    assert cli("users", "list") == 0
    assert cli.out == "eve@bows.example: adviser of harbour, disabled\n"
    assert cli("users", "disable", "nobody@bows.example") == 1
    assert cli.err == "Nobody here has the address nobody@bows.example.\n"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["eve", "--role", "owner"], "email: eve is no e-mail address"),
        (["eve@bows.example", "--role", "adviser"], "role: Whoever has this role belongs to a dealer"),
        (["eve@bows.example", "--role", "adviser", "--dealer", "nowhere"], "dealer: There is no dealer ‘nowhere’"),
    ],
)
def test_an_account_that_cannot_be_is_refused_in_one_line(cli: Cli, arguments: list[str], said: str) -> None:
    assert cli("users", "add", *arguments) == 1
    (line,) = cli.err.splitlines()
    assert line.startswith(said)
    assert cli("users", "list") == 0
    assert cli.out == "There is no account yet.\n"


def test_a_demonstration_has_an_account_of_each_role_drawn_anew_each_time(tmp_path: Path) -> None:
    drawn = []
    for run in ("one", "two"):
        database = Database(f"sqlite:///{tmp_path / run}.db")
        migrations.upgrade(database)
        add_small_range(database)
        made = staff_commands.make_shown(database)
        assert [role for role, _email, _password in made] == [
            "adviser of Harbour Strings (invented)",
            "workshop",
            "owner",
        ]
        with database.reading() as session:
            for _role, email, password in made:
                passwords.require_good(password, (email,))
                assert passwords.fits(users.credentials(session, email).digest, password)
        drawn += [word for _role, email, password in made for word in (email, password)]
        database.close()
    assert len(set(drawn)) == len(drawn)

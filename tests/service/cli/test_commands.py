"""The command line: what it does, what it says, and its exit status."""

import argparse
import os
import subprocess
import sys
from pathlib import Path

import pytest
from sqlalchemy import text

from service import cli as commands
from service import migrations
from service.cli import command_line
from service.core.database import Database
from tests import factories
from tests.factories import row

ROOT = Path(__file__).resolve().parents[3]
NAMES = (
    *("demo", "serve", "migrate", "keys", "load", "dump", "backup", "restore"),
    *("dealers", "users", "fit", "advise", "check", "send", "retention", "help"),
)


class Cli:
    """Runs commands on a data folder of their own, and keeps what the last one said."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self._capsys = folder, capsys
        self.out = self.err = ""

    def __call__(self, *arguments: object, **environ: str) -> int:
        """Run a command and return its exit status."""
        status = commands.main([str(part) for part in arguments], {"DATA_DIR": str(self.folder / "var"), **environ})
        self.out, self.err = self._capsys.readouterr()
        assert "Traceback" not in self.out + self.err
        return status

    @property
    def line(self) -> str:
        """The one line of complaint that the last command made."""
        (said,) = self.err.splitlines()
        return said


@pytest.fixture
def cli(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Cli:
    """The command line on an empty data folder."""
    return Cli(tmp_path, capsys)


@pytest.fixture
def ready(cli: Cli) -> Cli:
    """The command line on a database with a small history."""
    cli("migrate")
    assert cli("load", factories.write(cli.folder / "given", factories.history())) == 0
    return cli


def test_the_commands_are_those_promised() -> None:
    (listed,) = [a for a in command_line.parser(None)._actions if isinstance(a, argparse._SubParsersAction)]
    assert sorted(listed.choices) == sorted(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_every_command_has_help_with_an_example(cli: Cli, name: str) -> None:
    assert cli(name, "--help") == 0
    assert f"python -m service {name}" in cli.out.split("example:")[1]


@pytest.mark.process
@pytest.mark.parametrize(
    ("arguments", "waits_for"),
    [
        (["help"], set[str]()),
        (["--help"], set[str]()),
        (["migrate"], {"sqlalchemy"}),
        (["users", "list"], {"sqlalchemy"}),
        (["retention"], {"sqlalchemy"}),
        (["send"], {"sqlalchemy"}),
    ],
)
def test_a_command_loads_what_it_uses_and_nothing_else(ready: Cli, arguments: list[str], waits_for: set[str]) -> None:
    heavy = ("alembic", "fastapi", "httpx", "numpy", "openpyxl", "scipy", "sklearn", "sqlalchemy", "zxcvbn")
    script = (
        f"import sys; from service.cli import main; status = main({arguments}, {{'DATA_DIR': {str(ready.folder / 'var')!r}}}); "
        f"sys.stderr.write(' '.join(name for name in {heavy} if name in sys.modules)); sys.exit(status)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, cwd=ROOT, check=True)
    assert set(done.stderr.split()) == waits_for


WRONG_USE = [
    [],
    ["sell"],
    ["load"],
    ["load", "folder", "--replac"],
    ["fit", "--adopt", "first"],
    ["fit", "--list", "--adopt", "1"],
    ["fit", "--report"],
    ["fit", "--report", "x", "--list"],
    ["serve", "--port", "70000"],
    ["serve", "--workers", "0"],
    ["demo", "--port", "http"],
    ["check", "now"],
    ["users"],
    ["users", "add", "ada@example.org"],
    ["users", "add", "ada@example.org", "--role", "player"],
    ["dealers", "add", "harbour"],
    ["keys"],
    ["keys", "retire"],
]


@pytest.mark.parametrize("arguments", WRONG_USE, ids=[" ".join(words) or "nothing" for words in WRONG_USE])
def test_wrong_use_ends_with_status_2_and_one_plain_line(cli: Cli, arguments: list[str]) -> None:
    assert cli(*arguments) == 2
    assert cli.line.endswith("--help)")
    assert cli.out == ""


NEED_TABLES = [
    ["load", "x"],
    ["dump", "x"],
    ["backup", "x"],
    ["fit"],
    ["fit", "--list"],
    ["advise", __file__],
    ["serve"],
    ["dealers", "list"],
    ["users", "list"],
    ["keys", "new"],
]


@pytest.mark.parametrize("arguments", NEED_TABLES, ids=[" ".join(words[:2])[:12] for words in NEED_TABLES])
def test_without_tables_a_command_says_to_migrate_first(cli: Cli, arguments: list[str]) -> None:
    assert cli(*arguments) == 1
    assert cli.line == "The database has no tables yet; run migrate first: python -m service migrate"
    assert not (cli.folder / "var").exists()


def test_migrate_may_be_run_again(cli: Cli) -> None:
    assert cli("migrate") == 0
    assert cli.out == "The database is now at this version.\n"
    assert cli("migrate") == 0
    assert cli.out == "The database is at this version already.\n"


def test_a_newer_database_is_left_alone(ready: Cli) -> None:
    database = Database(f"sqlite:///{ready.folder}/var/bows.db")
    with database.writing() as session:
        session.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    database.close()
    assert ready("migrate") == ready("dump", ready.folder / "out") == 1
    assert "newer version" in ready.line


def test_load_tells_what_it_took_in_and_dump_gives_it_back(cli: Cli) -> None:
    cli("migrate")
    folder = factories.write(cli.folder / "given", factories.usual())
    assert cli("load", folder) == 0
    assert cli.out.splitlines()[0] == "tiers.csv: 1 new, 0 changed, 0 as stored"
    assert "dealer harbour: made" in cli.out
    assert cli("dump", cli.folder / "out") == 0
    assert "runs.csv: 1 row\n" in cli.out
    assert cli("load", cli.folder / "out") == 0
    assert "0 new, 0 changed" in cli.out


def test_load_prints_every_bad_row_before_it_refuses(cli: Cli) -> None:
    cli("migrate")
    runs = [row("runs", overall=0), row("runs", position=2, overall=8)]
    assert cli("load", factories.write(cli.folder / "given", factories.usual() | {"runs": runs})) == 1
    assert [line.split(":")[0] for line in cli.out.splitlines()] == [
        "runs.csv, line 2, overall",
        "runs.csv, line 3, overall",
    ]
    assert cli.line == "Nothing was changed: 2 things are wrong with the files."


def test_a_dry_run_says_so(cli: Cli) -> None:
    cli("migrate")
    folder = factories.write(cli.folder / "given", factories.usual())
    assert cli("load", folder, "--dry-run") == 0
    assert cli.out.splitlines()[-1] == "Nothing was changed: this was a dry run."
    assert "dealer harbour: would be made" in cli.out
    assert cli("load", folder) == 0
    assert "runs.csv: 1 new" in cli.out


def test_backup_and_restore_go_together(ready: Cli) -> None:
    assert ready("backup", ready.folder / "b") == 0
    assert ready("restore", ready.folder / "b") == 1
    assert "--force" in ready.line
    assert ready("restore", ready.folder / "b", "--force") == 0
    assert "All staff sign in anew." in ready.out
    assert ready("check") == 0


def test_a_place_that_cannot_be_written_is_told_in_one_line(ready: Cli) -> None:
    (ready.folder / "file").write_text("", encoding="utf-8")
    assert ready("dump", ready.folder / "file" / "out") == 1
    assert ready("backup", ready.folder / "file" / "b") == 1
    assert ready.line.endswith("file: is there, and is no folder")


def test_a_bad_setting_names_itself(cli: Cli) -> None:
    assert cli("check", LOG_LEVEL="loud") == 1
    assert cli.line.startswith("LOG_LEVEL: got 'loud'")


def test_a_database_that_is_none_is_told_in_one_line(cli: Cli) -> None:
    (cli.folder / "var").mkdir()
    (cli.folder / "var" / "bows.db").write_bytes(b"no database" * 1000)
    for name in ("migrate", "fit"):
        assert cli(name) == 1
        assert "damaged or no database" in cli.line


def test_the_same_commands_work_on_postgresql(cli: Cli, empty_postgres: Database) -> None:
    url = empty_postgres.url.set(drivername="postgresql").render_as_string(hide_password=False)
    folder = factories.write(cli.folder / "given", factories.usual())
    for arguments in (["migrate"], ["load", folder], ["dump", cli.folder / "out"], ["check"]):
        assert cli(*arguments, DATABASE_URL=url) == 0
    migrations.require_current(empty_postgres)
    assert cli("load", cli.folder / "out", DATABASE_URL=url) == 0
    assert "runs.csv: 0 new, 0 changed, 1 as stored" in cli.out


def test_fit_adopts_lists_and_goes_back(ready: Cli) -> None:
    assert ready("fit", "--list") == 0
    assert ready.out == "No version has been fitted yet.\n"
    assert ready("fit") == ready("fit") == 0
    assert ready("fit", "--adopt", "1") == 0
    assert ready.out == "Version 1 is in use.\n"
    assert ready("fit", "--list") == 0
    newest, oldest = ready.out.splitlines()
    assert newest.startswith("2: fitted 20")
    assert newest.endswith("3 trials")
    assert oldest.endswith("3 trials, in use")
    assert ready("fit", "--adopt", "9") == 1
    assert "no version 9" in ready.line


def test_check_tells_what_is_well_and_what_is_not(ready: Cli) -> None:
    assert ready("check") == 0
    assert [line.split()[0] for line in ready.out.splitlines()] == ["ok"] * 5
    database = Database(f"sqlite:///{ready.folder}/var/bows.db")
    ready("fit")
    with database.writing() as session:
        session.execute(text("UPDATE model_versions SET artifact = x'00'"))
    database.close()
    assert ready("check") == 1
    assert [line.split()[0] for line in ready.out.splitlines()] == ["ok", "WRONG", "ok", "ok", "ok"]


@pytest.mark.parametrize(
    ("named", "said"),
    [
        (None, "WRONG  FORWARDED_ALLOW_IPS names no proxy; set it"),
        ("*", "WRONG  FORWARDED_ALLOW_IPS believes everybody"),
        ("10.0.0.5,0.0.0.0/0", "WRONG  FORWARDED_ALLOW_IPS believes everybody"),
        ("10.0.0.5, fd00::/8", "ok  proxies: 10.0.0.5, fd00::/8 are believed"),
    ],
)
def test_check_wants_the_proxy_named_that_ends_https(ready: Cli, named: str | None, said: str) -> None:
    given = {"FORWARDED_ALLOW_IPS": named} if named else {}
    assert ready("check", PUBLIC_ADDRESS="https://bows.example", **given) == int(said.startswith("WRONG"))
    assert ready.out.splitlines()[-2].startswith(said)


def test_check_raises_the_alarm_when_the_disk_is_nearly_full(ready: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.operations.health.LEAST_FREE", 1 << 62)
    assert ready("check") == 1
    assert ready.out.splitlines()[-1].startswith("WRONG  disk: ")


def test_check_of_a_database_without_tables_names_the_remedy(cli: Cli) -> None:
    assert cli("check") == 1
    assert cli.out.splitlines()[0].startswith("WRONG  The database has no tables yet; run migrate first")


def test_ctrl_c_is_quiet(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(_database: Database) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(migrations, "upgrade", interrupted)
    assert cli("migrate") == 130
    assert cli.out + cli.err == ""


@pytest.mark.process
def test_a_reader_that_has_gone_ends_the_command_quietly(ready: Cli) -> None:
    environ = os.environ | {"DATA_DIR": str(ready.folder / "var")}
    command = f"{sys.executable} -m service dump {ready.folder}/out; echo status $? >&2"
    done = subprocess.run(
        ["bash", "-c", f"({command}) | true"], cwd=ROOT, env=environ, capture_output=True, text=True, check=False
    )
    assert done.stderr in ("status 141\n", "status 0\n")  # 0 where all was written before the reader went

"""Databases of released versions, each as its own program writes it: `python -m tests.released` stores this version's.

A row of every table is in them, so that an upgrade meets whatever a shop may have. A stored one is never written again.
"""

import gzip
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from sqlalchemy import insert, text

from service import VERSION, migrations
from service.core.database import Database
from tests import migrated
from tests.postgres import Server, program
from tests.service.test_tables import ROWS

FOLDER = Path(__file__).parent / "service" / "released"


def stored() -> list[Path]:
    """Return the stored databases, the oldest first."""
    return sorted(FOLDER.glob("*.sql.gz"))


def versions() -> set[str]:
    """Return of which versions there are stored databases."""
    return {path.name.removesuffix(".sql.gz").rpartition(".")[0] for path in stored()}


def put_back(path: Path, database: Database) -> None:
    """Put a stored database into an empty one of its kind, by that kind's own program."""
    script = gzip.decompress(path.read_bytes())
    if database.file is not None:
        with closing(sqlite3.connect(database.file)) as connection:
            connection.executescript(script.decode())
        return
    at = ["--host=127.0.0.1", f"--port={database.url.port}", f"--username={database.url.username}"]
    command: list[str | Path] = [program("psql"), *at, "--quiet", "--no-psqlrc", "--set=ON_ERROR_STOP=1"]
    subprocess.run([*command, str(database.url.database)], input=script, check=True, stdout=subprocess.DEVNULL)


def counts(database: Database) -> dict[str, int]:
    """Return how many rows every table holds that there is, by its name."""
    listed = "sqlite_master WHERE type = 'table'" if database.is_sqlite else "pg_tables WHERE schemaname = 'public'"
    with database.reading() as session:
        names = session.scalars(text(f"SELECT {'name' if database.is_sqlite else 'tablename'} FROM {listed}")).all()
        found = {name: session.scalars(text(f'SELECT count(*) FROM "{name}"')).one() for name in names}
    return {name: count for name, count in found.items() if name != "alembic_version"}


def _fill(database: Database) -> None:
    with database.writing() as session:
        for table, values in ROWS:
            session.execute(insert(table), values)


def _scripts() -> Iterator[tuple[str, bytes]]:
    """Yield each kind of database with the script that makes this version's, filled."""
    with tempfile.TemporaryDirectory() as folder, Server.started() as server:
        file = Path(folder) / "bows.db"
        migrated.put(file)
        database = Database(f"sqlite:///{file}")
        _fill(database)
        database.close()
        with closing(sqlite3.connect(file)) as connection:
            marks = "".join(
                f"PRAGMA {name} = {connection.execute(f'PRAGMA {name}').fetchone()[0]};\n"
                for name in ("application_id", "user_version")
            )
            yield "sqlite", (marks + "\n".join(connection.iterdump())).encode()
        migrated_there = Database(server.url("postgres"))
        migrations.upgrade(migrated_there)
        _fill(migrated_there)
        migrated_there.close()
        at = ["--host=127.0.0.1", f"--port={server.port}", "--username=postgres"]
        yield (
            "postgresql",
            subprocess.run(
                [program("pg_dump"), *at, "--inserts", "--no-owner", "--no-privileges", "postgres"],
                check=True,
                capture_output=True,
            ).stdout,
        )


def main() -> int:
    """Store this version's databases; one that is stored already is not touched."""
    if VERSION in versions():
        print(f"{VERSION} is stored already; a changed database belongs to a new version.")
        return 1
    FOLDER.mkdir(exist_ok=True)
    for kind, script in _scripts():
        path = FOLDER / f"{VERSION}.{kind}.sql.gz"
        path.write_bytes(gzip.compress(script, mtime=0))
        print(f"{path}: {path.stat().st_size} bytes")
    return 0


if __name__ == "__main__":
    sys.exit(main())

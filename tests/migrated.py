"""An SQLite file with this version's tables: migrated once in a process, copied wherever a test begins with one."""

import tempfile
from functools import cache
from pathlib import Path

from service import migrations
from service.core.database import Database


def put(file: Path) -> None:
    """Put an empty database with this version's tables there, where there is none yet."""
    if not file.exists():
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(_migrated())


@cache
def _migrated() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "bows.db"
        database = Database(f"sqlite:///{file}")
        migrations.upgrade(database)
        database.close()
        return file.read_bytes()

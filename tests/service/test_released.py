"""Every released version's database, as it was, becomes this version's, and keeps every row."""

import tomllib
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext

import service
from service import migrations
from service.core.database import Database
from service.tables import Base
from tests import released

ROOT = Path(service.__file__).parents[1]


@pytest.mark.parametrize("path", released.stored(), ids=lambda path: path.name.removesuffix(".sql.gz"))
def test_a_released_database_is_brought_to_this_version_with_every_row(
    path: Path, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    file = f"sqlite:///{tmp_path}/bows.db"
    database = request.getfixturevalue("empty_postgres") if "postgresql" in path.name else Database(file)
    released.put_back(path, database)
    before = released.counts(database)
    assert min(before.values()) > 0
    migrations.upgrade(database)
    after = released.counts(database)
    assert {name: count for name, count in before.items() if after.get(name) != count} == {}
    with database.reading() as session:
        assert compare_metadata(MigrationContext.configure(session.connection()), Base.metadata) == []
    database.close()


def test_this_version_is_told_in_one_way_and_its_changes_stand_on_their_page() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == service.VERSION
    page = (ROOT / "service" / "docs" / "changes.md").read_text(encoding="utf-8")
    headings = [line.removeprefix("## ").partition(",")[0] for line in page.splitlines() if line.startswith("## ")]
    assert service.VERSION in headings
    assert released.versions() <= set(headings)
    assert service.VERSION in released.versions(), "a released version's databases: python -m tests.released"

"""What the commands share."""

from collections.abc import Iterator
from contextlib import contextmanager

from service import migrations
from service.core.database import Database
from service.settings import Settings


@contextmanager
def opened(settings: Settings, *, current: bool = True) -> Iterator[Database]:
    """Give the database of the settings, with this version's tables unless ``current`` is False; closed at the end."""
    database = Database(settings.database_url)
    try:
        if current:
            migrations.require_current(database)
        yield database
    finally:
        database.close()

"""What the commands share."""

import argparse
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from service import migrations
from service.core.database import Database
from service.settings import Settings

if TYPE_CHECKING:
    # Private to argparse, and the only name there is for what add_subparsers returns.
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]  # noqa: SLF001


def add(
    commands: "Commands",
    name: str,
    run: Callable[[argparse.Namespace, Settings], int],
    text: str,
    example: str,
) -> argparse.ArgumentParser:
    """Add a command with its help and an example, and return its parser."""
    parser = commands.add_parser(
        name, help=text, description=f"{text[0].upper()}{text[1:]}.", epilog=f"example: {example}", allow_abbrev=False
    )
    parser.set_defaults(run=run)
    return parser


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

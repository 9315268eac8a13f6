"""The command line: ``python -m service COMMAND``.

A command returns its exit status: 0 done, 1 refused or something is wrong with what it was given, 2 wrong use. Whatever a
user can cause ends in one plain line, never in a traceback.
"""

import argparse
import os
import sqlite3
import sys
from collections.abc import Callable, Mapping, Sequence
from typing import NoReturn

from sqlalchemy.exc import DBAPIError, IntegrityError

from service.cli import helping, link_keys, model_commands, posting, retaining, serving, staff_commands, storing
from service.core import audit, audit_events
from service.core.errors import ConflictError, InvalidInputError
from service.settings import Settings

Command = Callable[[argparse.Namespace, Settings], int]
INTERRUPTED = 130
"""The shell's exit status for Ctrl-C: 128 + SIGINT."""
BROKEN_PIPE = 141
"""The shell's exit status where the reader of the output has gone: 128 + SIGPIPE."""


class Parser(argparse.ArgumentParser):
    """A parser whose complaint is one line."""

    def error(self, message: str) -> NoReturn:
        """Say what is wrong with the command line and how to find help, and end with status 2."""
        self.exit(2, f"{self.prog}: {message} (see {self.prog} --help)\n")


def parser() -> Parser:
    """Return the parser of all commands."""
    top = Parser(
        prog="python -m service",
        description="Shortlist, trial plan and a model that learns from every trial.",
        epilog="example: python -m service demo",
        allow_abbrev=False,
    )
    commands = top.add_subparsers(title="commands", metavar="COMMAND", required=True, parser_class=Parser)
    for module in (serving, storing, staff_commands, model_commands, posting, retaining, link_keys, helping):
        module.add_to(commands)
    return top


def main(arguments: Sequence[str] | None = None, environ: Mapping[str, str] | None = None) -> int:
    """Run one command and return its exit status."""
    try:
        asked = parser().parse_args(arguments)
        run: Command = asked.run
        with audit.written_by(audit_events.COMMAND):
            # Help is there where the settings cannot be read, too: it says which there are.
            given = {} if run is helping.show else os.environ if environ is None else environ
            return run(asked, Settings.from_environment(given))
    except SystemExit as ended:  # from the parser: help, or wrong use
        return int(ended.code or 0)
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        # The output is closed; what Python still holds for it must go nowhere, or it complains while it ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return BROKEN_PIPE
    except (ConflictError, InvalidInputError, DBAPIError, sqlite3.Error, OSError) as error:
        sys.stderr.write(f"{_sentence(error)}\n")
        return 1


def _sentence(error: Exception) -> str:
    """Return what went wrong in one plain line."""
    if isinstance(error, IntegrityError):
        return "Somebody else changed the same things meanwhile; nothing was changed here. Try again."
    if isinstance(error, DBAPIError):
        return f"The database cannot be used: {str(error.orig).strip().splitlines()[0]}"
    if isinstance(error, sqlite3.Error):
        return f"The database file cannot be used: {error}"
    if isinstance(error, OSError):
        name = f"{error.filename}: " if error.filename else ""
        # Folders are made where they are missing; that fails with this error where something else has the name.
        reason = "is there, and is no folder" if isinstance(error, FileExistsError) else error.strerror
        return f"{name}{reason or error}"
    return " ".join(str(error).split())

"""Runs a command under the settings, and ends whatever a user can cause in one plain line."""

import argparse
import sqlite3
import sys
from collections.abc import Mapping

from sqlalchemy.exc import DBAPIError, IntegrityError

from service.core import audit, audit_events
from service.core.errors import ConflictError, InvalidInputError
from service.settings import Settings


def run(asked: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Run the command and return its exit status, 1 with one line where it was refused."""
    try:
        with audit.written_by(audit_events.COMMAND):
            return int(asked.run(asked, Settings.from_environment(environ)))
    except BrokenPipeError:
        raise
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

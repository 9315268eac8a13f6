"""The command that changes the key of links and forms without breaking those that are out: keys new, list, retire.

No key is ever printed: each is told by its fingerprint.
"""

import argparse

from service.cli.command_line import Commands, add, group
from service.cli.common import opened
from service.core import audit, audit_events, secret_file
from service.core.errors import ConflictError
from service.core.secret_file import fingerprint
from service.mail import address_keys
from service.settings import Settings

RESTART = "Start the service anew, on every machine, so that it counts."


def add_to(commands: Commands) -> None:
    """Add the command of this module."""
    verbs = group(commands, "keys", "python -m service keys new", "new|list|retire")
    add(verbs, "new", new, "python -m service keys new", "make a new key, which signs from now on")
    add(verbs, "list", listed, "python -m service keys list", "list the keys by their fingerprints")
    ending = add(verbs, "retire", retire, "python -m service keys retire 3f9a41c07b2e", "accept an older key no longer")
    ending.add_argument("fingerprint", metavar="FINGERPRINT", help="of the key, as `keys list` tells it")


def new(_asked: argparse.Namespace, settings: Settings) -> int:
    """Make a new key and say by which fingerprint it goes."""
    if settings.secret_key is not None:
        raise ConflictError(
            "SECRET_KEY is set, so the key is not kept here: put the present key first into SECRET_KEYS_OLDER, and a new "
            "one, drawn at random, into SECRET_KEY."
        )
    with opened(settings) as database:
        made = secret_file.add(settings.data_dir)
        with database.writing() as session:
            audit.record(session, None, audit_events.SIGNING_KEY_MADE, f"key {made}", dealer=None)
    print(f"{made} signs from now on; what the others signed is accepted until they are retired. {RESTART}")
    return 0


def listed(_asked: argparse.Namespace, settings: Settings) -> int:
    """Print each key's fingerprint and what it is good for."""
    own = "SECRET_KEY" if settings.secret_key else str(settings.data_dir / secret_file.NAME)
    for number, key in enumerate(settings.secret_keys()):
        where = "SECRET_KEYS_OLDER" if key in settings.older_keys() else own
        print(f"{fingerprint(key)}  {'accepted' if number else 'signs   '}  {where}")
    return 0


def retire(asked: argparse.Namespace, settings: Settings) -> int:
    """Accept an older key no longer; addresses that were closed under it stay closed."""
    newest, *older = settings.secret_keys()
    if asked.fingerprint == fingerprint(newest):
        raise ConflictError(
            f"{asked.fingerprint} is the key that signs; make a new one first: python -m service keys new"
        )
    found = [key for key in older if fingerprint(key) == asked.fingerprint]
    if not found:
        raise ConflictError(
            f"There is no key {asked.fingerprint}; expected one that is listed by: python -m service keys list"
        )
    # The database first: a run that is cut off between the two can be repeated, and nobody's wish is forgotten.
    with opened(settings) as database, database.writing() as session:
        address_keys.retire(session, found[0])
        audit.record(session, None, audit_events.SIGNING_KEY_RETIRED, f"key {asked.fingerprint}", dealer=None)
    if settings.secret_key is None:
        secret_file.take_out(settings.data_dir, found[0])
    taken_out = "Take it out of SECRET_KEYS_OLDER. " if found[0] in settings.older_keys() else ""
    print(f"{asked.fingerprint} is retired: links and forms that it signed are refused. {taken_out}{RESTART}")
    return 0

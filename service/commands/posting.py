"""The command that empties the outbox, and what `check` says of it."""

import argparse
import datetime as dt
from typing import TYPE_CHECKING

from sqlalchemy.orm import Session

from service.commands.common import add, opened
from service.mail import outbox, sending
from service.mail.office import Office, open_office
from service.settings import Settings

if TYPE_CHECKING:
    from service.commands.common import Commands

TOO_LONG = dt.timedelta(hours=1)
"""What waits for longer than this is a reason for alarm."""


def add_to(commands: "Commands") -> None:
    """Add the command of this module."""
    add(
        commands,
        "send",
        send,
        "send what waits in the outbox, once; `serve` does so by itself",
        "python -m service send",
    )


def send(_asked: argparse.Namespace, settings: Settings) -> int:
    """Send what is due and say how much that was; status 1 where something was given up."""
    with opened(settings) as database:
        done = sending.send_waiting(database, office_of(settings))
    print(f"{done.sent} sent, {done.put_off} put off, {done.failed} given up")
    return 1 if done.failed else 0


def office_of(settings: Settings) -> Office:
    """Return the office of the settings."""
    return open_office(settings.mail, settings.data_dir / "mail", settings.public_address, settings.secret_key())


def finding(session: Session) -> tuple[str, bool]:
    """Return one line on the outbox, and whether it is well."""
    health = outbox.health(session, sending.utc_now())
    said = f"outbox: {health.waiting} waiting, {health.failed} given up in the last week"
    if health.longest >= dt.timedelta(minutes=1):
        said += f"; the longest waits for {_told(health.longest)}"
    return said, health.longest <= TOO_LONG


def _told(time: dt.timedelta) -> str:
    minutes = int(time.total_seconds() // 60)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h"

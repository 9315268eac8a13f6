"""The command that empties the outbox."""

import argparse

from service.cli.command_line import Commands, add
from service.cli.common import opened
from service.mail import sending
from service.mail.mail_service import MailService, open_mail_service
from service.registry import MAILS
from service.settings import Settings


def add_to(commands: Commands) -> None:
    """Add the command of this module."""
    add(commands, "send", send, "python -m service send")


def send(_asked: argparse.Namespace, settings: Settings) -> int:
    """Send what is due and say how much that was; status 1 where something was given up."""
    with opened(settings) as database:
        done = sending.send_waiting(database, mail_service_of(settings))
    print(f"{done.sent} sent, {done.put_off} put off, {done.failed} given up")
    return 1 if done.failed else 0


def mail_service_of(settings: Settings) -> MailService:
    """Return the mail service of the settings."""
    secret, *older = settings.secret_keys()
    folder = settings.data_dir / "mail"
    return open_mail_service(settings.mail, folder, settings.public_address, secret, MAILS, older=tuple(older))

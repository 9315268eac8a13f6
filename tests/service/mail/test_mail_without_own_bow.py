"""The mail before a trial, to somebody who has no bow of their own."""

import datetime as dt
from pathlib import Path

from service.core.database import Database
from service.mail.mail_server import MailServer
from service.mail.mail_service import open_mail_service
from service.mail.sending import send_waiting
from service.mail.transport import Folder
from service.registry import MAILS
from tests.service.client import SECRET
from tests.service.mail_server import BASE, Clock, rows
from tests.service.trial_cast import compose, composition, open_shop

CLARA = {"name": "Clara Invented", "email": "clara@player.example", "consent": {"advice": True, "mail": True}}


def test_whoever_has_no_bow_is_told_of_none_of_their_own(database: Database, tmp_path: Path) -> None:
    open_shop(database)
    mail_service = open_mail_service(MailServer(), tmp_path / "mail", BASE, SECRET, MAILS)
    assert isinstance(mail_service.transport, Folder)
    with database.writing() as session:
        key = compose(session, contact=CLARA, on=(dt.datetime.now(dt.UTC).date() + dt.timedelta(days=3)).isoformat())
        composition(session, key).own_plays = 0
    (row,) = [row for row in rows(database) if row.kind == "before_trial"]
    clock = Clock()
    clock.now = row.due_at
    send_waiting(database, mail_service, clock)
    said = " ".join((mail_service.transport.read(row.message_id) or "").split())
    assert "your own rosin" in said
    assert "own bow" not in said
    assert "your bow" not in said

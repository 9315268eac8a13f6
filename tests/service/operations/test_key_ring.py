"""The key of links and forms is changed without breaking what is out, and nobody's wish to get no more mail is forgotten.

ASVS 5.0, 13.3.4 (secrets can be rotated), 11.2.2 (crypto agility), 14.2.4 and 16.2.5 (nothing secret in output).
"""

import datetime as dt
import hashlib
import hmac
import stat
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from sqlalchemy import select

from service import tables
from service.app import create_app
from service.cli import main
from service.core import secret_file
from service.core.database import Database
from service.core.errors import ConflictError
from service.core.signed_links import Signer
from service.mail import suppression
from service.mail.webhooks import Call
from service.settings import Settings
from service.web.security import FormTokens
from tests import migrated
from tests.service.client import SECRET, Client

# Made by the version before there was a ring, with SECRET.
SEAT = "seat-17.u_3-BqF6cz8-JSxSeLKNxq4p8x-hBAqb"
UNSUBSCRIBE = "ab12.aGFyYm91cg.UxYDBX4HV3o6_-Nqx1RWyXRPoeI82fgq"
FORM = "a8e5624a9fab3d03fe451d4061687b7800ba66b14e910b9ae94895ace1adfcec"
ADA = "ee450645065edcf0bcb96e536a36c31e51f85f3aeae65e8ea1e4a58b0f1df17a"
"""The digest under which Ada@Example.org was closed."""
OTHER = "another-key-of-the-service-drawn-at-random"


class Machine:
    """A service with files of its own, started anew whenever it is asked for something."""

    def __init__(self, folder: Path, **environ: str) -> None:
        self.folder, self.environ = folder, {"DATA_DIR": str(folder), "PUBLIC_ADDRESS": "http://bows.example"} | environ
        migrated.put(folder / "bows.db")

    @property
    def settings(self) -> Settings:
        return Settings.from_environment(self.environ)

    @property
    def fingerprints(self) -> list[str]:
        return [secret_file.fingerprint(key) for key in self.settings.secret_keys()]

    @property
    def signer(self) -> Signer:
        app = create_app(self.settings)
        app.state.database.close()
        signer = app.state.signer
        assert isinstance(signer, Signer)
        return signer

    def run(self, *arguments: str) -> int:
        return main(arguments, self.environ)

    def state_of(self, address: str) -> str | None:
        """Return why no mail goes to an address."""
        app = create_app(self.settings)
        try:
            with app.state.database.reading() as session:
                return suppression.is_closed(session, app.state.mail_service, "harbour", address)
        finally:
            app.state.database.close()

    def add_closed(self) -> None:
        """Close Ada's address as the version before did."""
        database = Database(f"sqlite:///{self.folder / 'bows.db'}")
        with database.writing() as session:
            session.add(tables.Dealer(slug="harbour", name="Harbour (invented)", currency="EUR"))
            session.flush()
            now = dt.datetime.now(dt.UTC)
            session.add(tables.ClosedAddress(digest=ADA, dealer="harbour", state="unsubscribed", at=now))
        database.close()


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    """A machine whose key lies in a file that the version before made."""
    made = Machine(tmp_path / "data")
    (tmp_path / "data" / "secret.key").write_text(f"{SECRET}\n", encoding="ascii")
    made.add_closed()
    return made


def test_links_and_forms_that_were_out_before_there_was_a_ring_are_taken() -> None:
    for signer in (Signer(SECRET), Signer(OTHER, (SECRET,))):
        assert signer.read("seat", SEAT) == "seat-17"
        assert signer.read("unsubscribe", UNSUBSCRIBE) == "ab12.aGFyYm91cg"
        assert signer.read("data", SEAT) is None
    assert Signer(SECRET).make("seat", "seat-17") == SEAT
    assert FormTokens(OTHER, (SECRET,)).fits("draft-1", FORM)
    assert not FormTokens(OTHER).fits("draft-1", FORM)
    assert Signer(OTHER).read("seat", SEAT) is None


@pytest.mark.parametrize(
    "odd", [SEAT + "!", SEAT + "=", SEAT[:-1], SEAT + "A", SEAT.replace("u_3", "u_3!"), "seat-17."]
)
def test_a_signature_has_one_spelling(odd: str) -> None:
    # RFC 4648, 3.3 and 3.5: decoders pass over letters beyond the alphabet; a link spelled otherwise is no link of ours.
    assert Signer(SECRET).read("seat", odd) is None


def test_the_kept_key_is_changed_and_the_old_one_retired(machine: Machine, capsys: pytest.CaptureFixture[str]) -> None:
    assert machine.run("keys", "new") == 0
    assert machine.signer.read("seat", SEAT) == "seat-17"
    new = machine.signer.make("seat", "seat-17")
    assert new != SEAT
    signs, accepted = machine.fingerprints
    assert machine.run("keys", "retire", signs) == 1  # the one that signs cannot go
    assert machine.run("keys", "retire", accepted) == 0
    assert machine.signer.read("seat", SEAT) is None
    assert machine.signer.read("seat", new) == "seat-17"
    assert machine.run("keys", "list") == 0
    said = capsys.readouterr()
    assert f"{signs}  signs" in said.out
    assert not any(key in said.out + said.err for key in (SECRET, *machine.settings.secret_keys()))
    file = machine.folder / "secret.key"
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert [path.name for path in machine.folder.glob("secret*")] == ["secret.key"]


def test_who_wanted_no_more_mail_gets_none_after_rotation_retirement_and_on_another_machine(
    machine: Machine, tmp_path: Path
) -> None:
    assert machine.state_of("ada@example.org") == "unsubscribed"
    machine.run("keys", "new")
    assert machine.state_of("ada@example.org") == "unsubscribed"
    machine.run("keys", "retire", machine.fingerprints[1])
    assert machine.state_of("ADA@example.org") == "unsubscribed"
    assert machine.state_of("eve@example.org") is None
    saved = tmp_path / "saved.backup"
    assert machine.run("backup", str(saved)) == 0
    elsewhere = Machine(tmp_path / "elsewhere")
    assert elsewhere.run("restore", str(saved), "--force") == 0
    assert elsewhere.settings.secret_keys() != machine.settings.secret_keys()
    assert elsewhere.state_of("ada@example.org") == "unsubscribed"


def test_the_link_that_ends_the_mails_works_whatever_becomes_of_the_keys(machine: Machine) -> None:
    app = create_app(machine.settings)
    row = tables.OutboxItem(address="eve@example.org", dealer="harbour")
    with app.state.database.reading() as session:
        now = suppression.path(session, app.state.mail_service, row)
    app.state.database.close()
    machine.run("keys", "new")
    machine.run("keys", "retire", machine.fingerprints[1])
    later = create_app(machine.settings)
    for path in (now, f"/mail/unsubscribe/{UNSUBSCRIBE}"):
        assert Client(later).send("POST", path).status_code == 200
    later.state.database.close()
    assert machine.state_of("eve@example.org") == "unsubscribed"


def test_keys_of_the_environment_are_changed_there_and_retired_by_the_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "older").write_text(f"{SECRET}\n", encoding="ascii")
    machine = Machine(tmp_path / "data", SECRET_KEY=OTHER, SECRET_KEYS_OLDER_FILE=str(tmp_path / "older"))
    machine.add_closed()
    assert machine.signer.read("seat", SEAT) == "seat-17"
    assert machine.run("keys", "new") == 1
    assert "SECRET_KEYS_OLDER" in capsys.readouterr().err
    assert machine.run("keys", "retire", machine.fingerprints[1]) == 0
    assert "Take it out of SECRET_KEYS_OLDER." in capsys.readouterr().out
    del machine.environ["SECRET_KEYS_OLDER_FILE"]
    assert machine.signer.read("seat", SEAT) is None
    assert machine.state_of("ada@example.org") == "unsubscribed"


def test_an_older_key_that_is_too_short_is_refused_without_being_told() -> None:
    with pytest.raises(ConflictError, match=r"SECRET_KEYS_OLDER: got 6 characters") as refused:
        Settings.from_environment({"SECRET_KEYS_OLDER": f"{OTHER}, geheim"})
    assert "geheim" not in str(refused.value)
    assert OTHER not in repr(Settings.from_environment({"SECRET_KEYS_OLDER": OTHER, "SECRET_KEY": SECRET}))


def test_keys_made_at_once_are_all_kept(tmp_path: Path) -> None:
    with ThreadPoolExecutor(8) as pool:
        made = list(pool.map(lambda _: secret_file.add(tmp_path), range(8)))
    kept = [secret_file.fingerprint(key) for key in secret_file.kept(tmp_path)]
    assert len(kept) == 9
    assert set(made) < set(kept)


def test_what_was_done_to_the_keys_is_on_record_without_them(machine: Machine) -> None:
    machine.run("keys", "new")
    machine.run("keys", "retire", machine.fingerprints[1])
    database = Database(f"sqlite:///{machine.folder / 'bows.db'}")
    with database.reading() as session:
        entries = [(row.did, row.about) for row in session.scalars(select(tables.AuditEntry).order_by("id"))]
    database.close()
    assert [did for did, _about in entries] == [
        "made a new key for links and forms",
        "retired a key of links and forms",
    ]
    assert not any(SECRET in about for _did, about in entries)


def test_a_dealers_system_can_take_the_next_secret_before_it_signs() -> None:
    body = b"{}"
    both = Call("https://shop.example/", body, "1", "1700000000", "old", "new").headers
    for name, secret in (("Bow-Signature", b"old"), ("Bow-Signature-Next", b"new")):
        assert both[name] == hmac.new(secret, b"1700000000." + body, hashlib.sha256).hexdigest()
    assert "Bow-Signature-Next" not in Call("https://shop.example/", body, "1", "1700000000", "old").headers

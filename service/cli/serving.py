"""The commands that serve: serve and demo."""

import argparse
import socket
import sys
import tempfile
from functools import partial
from pathlib import Path

from sqlalchemy import select

from service import migrations
from service.accounts import users
from service.cli import living_shop
from service.cli.command_line import Commands, add
from service.cli.common import opened
from service.cli.model_commands import bar
from service.cli.staff_commands import make_shown
from service.core import unfinished
from service.core.database import Database
from service.core.errors import ConflictError
from service.inventory import files
from service.modelling import fits
from service.operations.counted_together import counted_together
from service.settings import Settings, default_database_url
from service.tables import Dealer

HOST, PORT = "127.0.0.1", 8000
SEED_DATA = Path(__file__).resolve().parents[2] / "seed_data"
DEMO_MARK = "this-is-a-demo"
"""A file by which a folder says that `demo` made its database and may make it anew."""
MOST_WORKERS = 64


def add_to(commands: Commands) -> None:
    """Add the commands of this module."""
    showing = add(commands, "demo", demo, "python -m service demo --port 8080")
    _add_address(showing)
    showing.add_argument(
        "--data", type=Path, metavar="DIR", help="folder of the database; default: a new temporary one"
    )
    running = add(commands, "serve", serve, "python -m service serve --workers 2")
    _add_address(running)
    count = partial(_whole, low=1, high=MOST_WORKERS)
    running.add_argument("--workers", type=count, default=1, metavar="N", help="processes (default: 1)")


def _add_address(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--host", default=HOST, metavar="H", help=f"address to listen on (default: {HOST})")
    number, told = partial(_whole, low=0, high=65535), f"port (default: {PORT}; 0: any free one)"
    parser.add_argument("--port", type=number, default=PORT, metavar="P", help=told)


def _whole(text: str, low: int, high: int) -> int:
    if not (text.isascii() and text.isdigit() and low <= int(text) <= high):
        raise argparse.ArgumentTypeError(f"got {text!r}, expected a whole number from {low} to {high}")
    return int(text)


def serve(asked: argparse.Namespace, settings: Settings) -> int:
    """Serve the database of the settings."""
    with opened(settings) as database:
        _clear(database)
    settings.signing_key()  # made before the workers start, so that they share it
    with _listen(asked.host, asked.port) as listening:
        print(f"Serving at {address(listening)}", flush=True)
        if asked.workers == 1:
            return _served(settings.model_copy(update={"listens_at": address(listening).rstrip("/")}), listening)
        return _served(settings, listening, asked.workers)


def _clear(database: Database) -> None:
    """Clear copies of the database that a killed restore has left beside it, and say so."""
    for path in unfinished.clear(database.file) if database.file else ():
        print(f"Removed {path}, which a restore left that was cut off.")


def demo(asked: argparse.Namespace, settings: Settings) -> int:
    """Make a fresh database of the invented data, fit, and serve it."""
    with _listen(asked.host, asked.port) as listening:
        folder = _demo_folder(asked.data)
        shown = _demonstration(settings, folder, address(listening).rstrip("/"))
        accounts, answer = _fill(shown)
        print(f"The data is invented. It lies in {folder}.")
        print(f"The form: {address(listening)}")
        print(f"The desk: {address(listening)}desk")
        if answer:
            print("  There: enquiries of today, trials to come, being played, over and overdue, and parcels.")
            print(f"  What a player was answered: {address(listening).rstrip('/')}{answer}")
        for role, email, password in accounts:
            print(f"  {role}: {email}, password {password}")
        print("These accounts were made for this run.", flush=True)
        return _served(shown, listening)


def _demonstration(settings: Settings, folder: Path, listens_at: str) -> Settings:
    """Return settings under which nothing leaves the folder: no mail either, whatever is set; the desk shows them all."""
    changed = {"database_url": default_database_url(folder), "data_dir": folder, "listens_at": listens_at, "demo": True}
    return settings.model_copy(update=changed | dict.fromkeys(("secret_key", "smtp_host", "mail_from")))


def _served(settings: Settings, listening: socket.socket, workers: int = 1) -> int:
    with counted_together(workers > 1 and settings.metrics_token is not None):
        from service.cli import web_server  # noqa: PLC0415 - takes a second to load, which no other command should wait for

        return (
            web_server.run(settings, listening) if workers == 1 else web_server.run_many(settings, listening, workers)
        )


def _listen(host: str, port: int) -> socket.socket:
    """Return a socket that listens, before anything else is begun; raises `ConflictError` where that cannot be."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.socket(family)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
        listening.listen(128)
    except OSError as error:
        listening.close()
        reason = error.strerror or str(error)
        raise ConflictError(
            f"Cannot listen on {host} port {port}: {reason}. Choose another with --host or --port."
        ) from None
    listening.set_inheritable(True)
    return listening


def address(listening: socket.socket) -> str:
    """Return the address under which a listening socket is reached from this machine."""
    host, port = listening.getsockname()[:2]
    if host in ("0.0.0.0", "::"):  # noqa: S104 - compared, not bound
        host = HOST if host == "0.0.0.0" else "::1"  # noqa: S104 - compared, not bound
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"


def _demo_folder(asked: Path | None) -> Path:
    """Return an empty folder for the demonstration; raises `ConflictError` for one with a database that it did not make."""
    if asked is None:
        return Path(tempfile.mkdtemp(prefix="bows-demo-"))
    folder = asked.absolute()
    folder.mkdir(parents=True, exist_ok=True)
    mark = folder / DEMO_MARK
    if not mark.exists():
        if any(folder.iterdir()):
            raise ConflictError(
                f"The folder {folder} is not empty and was not made by demo; choose an empty or a new one."
            )
        mark.write_text("Made by `python -m service demo`, which makes its database here anew.\n", encoding="utf-8")
    for old in folder.glob("bows.db*"):
        old.unlink()
    return folder


def _fill(settings: Settings) -> tuple[list[tuple[str, str, str]], str | None]:
    """Fill the demonstration's database; return role, address and password of its accounts, and a player's answer where there is one."""
    database = Database(settings.database_url)
    try:
        migrations.upgrade(database)
        with database.writing() as session:
            report = files.load(session, SEED_DATA)
        if report.problems:
            raise ConflictError(f"The invented data cannot be loaded: {report.problems[0]}")
        with database.writing() as session:
            # Files name dealers by their slug only; a page should not.
            for dealer in session.scalars(select(Dealer)):
                dealer.name = dealer.slug.replace("-", " ").title()
        runs = report.files["runs.csv"].new
        print(f"Loaded {runs} invented runs. Fitting …", flush=True)
        for line in fits.fit(database, progress=bar() if sys.stderr.isatty() else None).lines:
            print(line)
        shop = living_shop.dealer_of(SEED_DATA)
        accounts = make_shown(database, shop)
        return accounts, _furnish(database, accounts) if shop else None
    finally:
        database.close()


def _furnish(database: Database, accounts: list[tuple[str, str, str]]) -> str:
    """Let the shop's day happen, trials made by the adviser; return the address of a player's answer."""
    email = next(email for role, email, _password in accounts if role.startswith("adviser"))
    with database.reading() as session:
        adviser = users.known(session, email)
    return living_shop.furnish(database, SEED_DATA, adviser)

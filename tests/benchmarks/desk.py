"""What the desk's pages and searches cost in a shop of years, and in one ten times as large: CPU, statements, rows read."""

import argparse
import datetime as dt
import tempfile
import time
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from sqlalchemy import event, text

from service import migrations
from service.core.database import Database
from tests.benchmarks import _goals
from tests.benchmarks._figures import table
from tests.postgres import Server
from tests.service import large_shop
from tests.service.cast import Desk, Member
from tests.service.client import serving, settings_in

SIZE = {"bows": 500, "players": 20_000, "enquiries": 2_000, "trials": 12_500}
TIMES = 5
"""So often each page is asked for; the quickest counts."""
PAGES = (
    "/desk",
    "/desk/enquiries",
    "/desk/enquiries?show=all",
    "/desk/enquiries?show=all&search=asker7",
    "/desk/enquiries?show=all&instrument=cello&order=oldest",
    "/desk/trials",
    "/desk/trials?state=planned",
    "/desk/trials?search=family7",
    "/desk/trials?state=closed&outcome=kept",
    "/desk/trials?outcome=returned",
    "/desk/stock",
    "/desk/stock/SN-00007",
    "/desk/players",
    "/desk/players?search=family7",
    "/desk/players?search=given7",
    "/desk/players/P-7",
    "/desk/overview",
    "/desk/overview?span=all",
    "/desk/mail?state=sent",
    "/desk/audit",
    "/desk/find?q=family7",
    "/desk/find?q=given7+last7",
    "/desk/find?q=player77%40bows.example",
    "/desk/find?q=0664+1000077",
    "/desk/find?q=SN-0000",
    "/desk/find?q=12",
    "/desk/find?q=00000007",
    "/desk/find?q=asker7",
)


def main(argv: Sequence[str]) -> int:
    """Fill, ask, and print a line a page."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks desk", description=__doc__)
    parser.add_argument("--database", choices=("sqlite", "postgresql"), action="append", help="default: both")
    parser.add_argument(
        "--times", type=int, default=10, metavar="N", help="how much larger the second shop is; 1: no second"
    )
    asked = parser.parse_args(argv)
    told: dict[str, float] = {}
    for kind in asked.database or ("sqlite", "postgresql"):
        sizes = [1, asked.times] if asked.times > 1 else [1]
        found = [_measured(kind, size) for size in sizes]
        lines = [(page, *(cell for each in found for cell in each[page])) for page in PAGES]
        head = ["page", *(f"{name} x{size}" for size in sizes for name in ("CPU ms", "statements", "rows"))]
        print(f"\n{kind}: {', '.join(f'{count:,} {name}' for name, count in SIZE.items())}, and x{sizes[-1]}")
        print(table(head, lines))
        if len(found) > 1:
            name = "SQLite" if kind == "sqlite" else "PostgreSQL"
            told |= {
                f"{name}: {page}, beside a shop of a tenth": float(found[1][page][0]) / float(found[0][page][0])
                for page in _goals.FLAT
            }
    print()
    _goals.tell("desk", told)
    return 0


def _measured(kind: str, size: int) -> dict[str, tuple[str, str, str]]:
    with ExitStack() as open_, tempfile.TemporaryDirectory(prefix="desk-") as folder:
        url = (
            f"sqlite:///{folder}/bows.db" if kind == "sqlite" else open_.enter_context(Server.started()).url("postgres")
        )
        database = Database(url)
        migrations.upgrade(database)
        today = dt.datetime.now(dt.UTC).date()
        large_shop.fill(database, today=today, **{name: count * size for name, count in SIZE.items()})
        with database.writing() as session:
            session.execute(text("ANALYZE"))
        database.close()
        with serving(settings_in(Path(folder), database_url=url)) as client:
            desk = Desk(client)
            counter = Counter(desk.database)
            return {page: counter.cost(desk.sign_in("owner"), page) for page in PAGES}


class Counter:
    """Counts what is asked of a database, and what that costs here and in the database's own process."""

    def __init__(self, database: Database) -> None:
        self.database, self.statements, self.steps = database, 0, 0
        event.listen(database.engine, "before_cursor_execute", self._asked)
        if database.is_sqlite:
            event.listen(database.engine, "checkout", self._watch)

    def _asked(self, *_about: Any) -> None:
        self.statements += 1

    def _watch(self, connection: Any, *_about: Any) -> None:
        connection.set_progress_handler(self._step, 1000)

    def _step(self) -> None:
        self.steps += 1

    def cost(self, member: Member, page: str) -> tuple[str, str, str]:
        """Return the CPU time of the quickest of `TIMES`, in ms, the statements, and the rows read or thousands of SQLite's steps."""
        quickest = float("inf")
        for _time in range(TIMES + 1):
            self.statements = self.steps = 0
            rows, before = self._rows(), self._cpu()
            reply = member.get(page)
            assert reply.status_code in (200, 303), (page, reply.status_code)
            quickest = min(quickest, self._cpu() - before)
        read = f"{self.steps}k" if self.database.is_sqlite else f"{self._rows() - rows:,}"
        return f"{quickest:.1f}", str(self.statements), read

    def _cpu(self) -> float:
        """Return the CPU time of this process and, on PostgreSQL, of its backends, in ms."""
        own = time.process_time() * 1e3
        if self.database.is_sqlite:
            return own
        with self.database.reading() as session:
            pids = session.scalars(text("SELECT pid FROM pg_stat_activity WHERE datname = current_database()")).all()
        return own + sum(int(Path(f"/proc/{pid}/schedstat").read_text().split()[0]) / 1e6 for pid in pids)

    def _rows(self) -> int:
        """Return how many rows were read so far, in order or by an index (PostgreSQL tells it once a second)."""
        if self.database.is_sqlite:
            return 0
        time.sleep(1.1)
        with self.database.reading() as session:
            session.execute(text("SELECT pg_stat_clear_snapshot()"))
            asked = "SELECT sum(seq_tup_read + coalesce(idx_tup_fetch, 0)) FROM pg_stat_user_tables"
            return int(session.scalar(text(asked)) or 0)

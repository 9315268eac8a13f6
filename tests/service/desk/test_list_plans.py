"""In a shop of years no list and no search goes through a whole large table: by the databases' own plans, freely chosen."""

import datetime as dt
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event, text

from service.core.database import Database
from tests.service import large_shop
from tests.service.cast import Desk
from tests.service.client import serving, settings_in

SIZE = {"bows": 200, "players": 9_000, "enquiries": 1_000, "trials": 5_000, "case": 1}
"""Enough that whoever plans finds an index cheaper than a page after page of a table; each of `LARGE` has thousands of rows."""
LARGE = {
    "players",
    "contacts",
    "enquiries",
    "trials",
    "compositions",
    "search_words",
    "runs",
    "outcomes",
    "audit",
    "outbox",
}
PAGES = {
    "the first page of enquiries": "/desk/enquiries?show=all",
    "a further page, oldest first": "/desk/enquiries?show=all&order=oldest",
    "trials": "/desk/trials",
    "trials of a state": "/desk/trials?state=planned",
    "trials of a person": "/desk/trials?search=last77",
    "stock": "/desk/stock",
    "stock by serial": "/desk/stock?order=serial&serial=sn-0001",
    "players": "/desk/players",
    "trials of an outcome": "/desk/trials?outcome=returned",
    "trials of nothing yet": "/desk/trials?outcome=nothing",
    "a bow": "/desk/stock/SN-00007",
    "this month's figures": "/desk/overview",
    "players by name": "/desk/players?search=last77",
    "players of a name and an instrument": "/desk/players?search=given7+last7&instrument=cello",
    "players of an instrument": "/desk/players?instrument=cello",
    "sold bows": "/desk/stock?show=sold",
    "mail": "/desk/mail?state=sent",
    "mail of a kind, oldest first": "/desk/mail?state=sent&kind=before_trial&order=oldest",
    "mail to somebody": "/desk/mail?state=sent&to=player77%40bows.example",
    "mail that failed": "/desk/mail?state=failed",
    "the record": "/desk/audit",
    "the record of a day": "/desk/audit?since=2026-01-01&until=2026-01-01&order=oldest",
    "what was done to a thing": "/desk/audit?about=trial+T-77",
    "what was done by somebody": "/desk/audit?who=adviser%40",
    "what was done once": "/desk/audit?did=dealer_made",
    "today": "/desk",
    "a name": "/desk/find?q=family77",
    "two words": "/desk/find?q=given7+last7",
    "a mail address": "/desk/find?q=player77%40bows.example",
    "a telephone number": "/desk/find?q=0664+1000077",
    "a serial": "/desk/find?q=sn+0000",
    "a trial's number": "/desk/find?q=12",
    "an enquiry's number": "/desk/find?q=00000007",
    "an address that was scanned": "/desk/find?q=http%3A%2F%2Fbows.example%2Fdesk%2Fplayers%2FP-7",
}
MAY_READ = {"a bow": {"trials"}, "this month's figures": {"trials", "compositions", "outcomes"}}
"""Of a hundred days of trials those of a month are so many that going through all is no worse, or the planned ones of an instrument."""


@pytest.fixture
def desk(any_database: Database, tmp_path: Path) -> Iterator[Desk]:
    large_shop.fill(any_database, today=dt.datetime.now(dt.UTC).date(), **SIZE)
    with any_database.writing() as session:
        session.execute(text("ANALYZE"))
    address = any_database.url.render_as_string(hide_password=False)
    with serving(settings_in(tmp_path, database_url=address)) as client:
        yield Desk(client)


def test_no_list_and_no_search_reads_a_large_table_from_end_to_end(desk: Desk) -> None:
    asked: list[tuple[str, Any]] = []
    event.listen(
        desk.database.engine, "before_cursor_execute", lambda _c, _k, sql, values, *_r: asked.append((sql, values))
    )
    adviser, owner, read = desk.sign_in("adviser"), desk.sign_in("owner"), {}
    for name, page in PAGES.items():
        member = owner if "audit" in page or "overview" in page else adviser
        asked.clear()
        assert member.get(page).status_code in (200, 303), page
        # To say how many there are all of them are counted; what is shown is found.
        counted = [each for each in asked if each[0].startswith("SELECT count(") or "count(*)" in each[0]]
        statements = [each for each in asked if each not in counted or "LIMIT" in each[0]]
        whole = {table for sql, values in statements for table in _read_whole(desk.database, sql, values)}
        if read_whole := sorted(whole & LARGE - MAY_READ.get(name, set())):
            read[name] = read_whole
    assert read == {}


def _read_whole(database: Database, sql: str, values: Any) -> set[str]:
    """Return the tables that a statement goes through row by row, by the database's own plan."""
    if not sql.startswith("SELECT"):
        return set()
    explain = "EXPLAIN QUERY PLAN " if database.is_sqlite else "EXPLAIN "
    with database.reading() as session:
        if not database.is_sqlite:  # a page of a disk without a head to move costs the same wherever it lies
            session.execute(text("SET random_page_cost = 1.1"))
        lines = session.connection().exec_driver_sql(explain + sql, values).all()
    plan = "\n".join(str(line[-1]) for line in lines)
    if database.is_sqlite:
        return set(re.findall(r"^SCAN (\w+)(?! (?:USING|VIRTUAL))", plan, re.MULTILINE))
    return set(re.findall(r"Seq Scan on (\w+)", plan))

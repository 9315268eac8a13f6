"""What is looked for is found by an index: words of people, numbers of enquiries, serials as they are typed."""

from collections.abc import Callable

import sqlalchemy as sa
from alembic import op

from service.tables.columns import Key
from service.tables.folding import enquiry_number, of_person, plain

revision = "0023"
down_revision = "0022"

A_SLICE = 500
ENQUIRIES = sa.table(
    "enquiries", *(sa.column(name, sa.String) for name in ("id", "number", "dealer")), sa.column("contact", sa.JSON)
)
COPIES = sa.table("copies", sa.column("serial", Key), sa.column("plain", Key))
CONTACTS = sa.table(
    "contacts",
    sa.column("player", sa.Integer),
    *(sa.column(name, sa.String) for name in ("dealer", "name", "email", "phone")),
)
WORDS = sa.table(
    "search_words",
    sa.column("player", sa.Integer),
    *(sa.column(name, sa.String) for name in ("dealer", "word", "enquiry")),
)
Row = sa.Row[tuple[object, ...]]


def upgrade() -> None:
    """Add columns and table, filled in from what is there."""
    op.create_table(
        "search_words",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("dealer", Key, nullable=False),
        sa.Column("word", Key, nullable=False),
        sa.Column("player", sa.Integer(), sa.ForeignKey("contacts.player", ondelete="CASCADE"), nullable=True),
        sa.Column("enquiry", sa.String(), sa.ForeignKey("enquiries.id", ondelete="CASCADE"), nullable=True),
    )
    op.add_column("enquiries", sa.Column("number", Key, nullable=True))
    op.add_column("copies", sa.Column("plain", Key, nullable=True))
    _each(ENQUIRIES, ENQUIRIES.c.id, _enquiry)
    _each(CONTACTS, CONTACTS.c.player, _contact)
    _each(COPIES, COPIES.c.serial, _copy)
    for table, columns in (
        ("search_words", ["dealer", "word"]),
        ("search_words", ["player"]),
        ("search_words", ["enquiry"]),
        ("enquiries", ["number"]),
        ("copies", ["plain"]),
    ):
        op.create_index(f"ix_{table}_{'_'.join(columns)}", table, columns)


def _each(table: sa.TableClause, key: sa.ColumnClause[object], kept: Callable[[sa.Connection, Row], None]) -> None:
    """Go through a table slice by slice, since a shop of years has more than fits into memory."""
    connection, asked = op.get_bind(), sa.select(table).order_by(key).limit(A_SLICE)
    rows = connection.execute(asked).all()
    while rows:
        for row in rows:
            kept(connection, row)
        rows = connection.execute(asked.where(key > getattr(rows[-1], key.name))).all()


def _enquiry(connection: sa.Connection, row: Row) -> None:
    number = ENQUIRIES.update().where(ENQUIRIES.c.id == row.id).values(number=enquiry_number(str(row.id)))
    connection.execute(number)
    given = row.contact or {}
    words = set(of_person(given.get("name"), given.get("email"), given.get("phone")))
    _write(connection, words, dealer=row.dealer or "", enquiry=row.id)


def _contact(connection: sa.Connection, row: Row) -> None:
    _write(connection, set(of_person(row.name, row.email, row.phone)), dealer=row.dealer, player=row.player)


def _copy(connection: sa.Connection, row: Row) -> None:
    connection.execute(COPIES.update().where(COPIES.c.serial == row.serial).values(plain=plain(str(row.serial))))


def _write(connection: sa.Connection, words: set[str], **of: object) -> None:
    if words:
        connection.execute(WORDS.insert(), [{"word": word, **of} for word in sorted(words)])

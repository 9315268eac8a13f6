"""An enquiry's id, moment and answers stand in columns; the advice no longer holds them a second time.

Slice by slice, since a shop of years has more enquiries than fit into memory; what differs stays as it was told.
"""

import sqlalchemy as sa
from alembic import op

from service.tables.columns import Moment, in_json

revision = "0016"
down_revision = "0015"

A_SLICE = 500
ENQUIRIES = sa.table(
    "enquiries",
    sa.column("id", sa.String),
    sa.column("created_at", Moment),
    sa.column("answers", sa.JSON),
    sa.column("advice", sa.JSON),
)


def upgrade() -> None:
    """Take them out of every advice where they are the same."""
    of, connection, after = ENQUIRIES.c, op.get_bind(), ""
    change = ENQUIRIES.update().where(of.id == sa.bindparam("of")).values(advice=sa.bindparam("kept"))
    while rows := connection.execute(sa.select(ENQUIRIES).where(of.id > after).order_by(of.id).limit(A_SLICE)).all():
        changed = [{"of": row.id, "kept": kept} for row in rows if (kept := _kept(row)) != row.advice]
        if changed:
            connection.execute(change, changed)
        after = rows[-1].id


def _kept(row: sa.Row[tuple[object, ...]]) -> dict[str, object]:
    there = {"id": row.id, "created": in_json(row.created_at), "answers": row.answers}
    return {name: value for name, value in row.advice.items() if name not in there or there[name] != value}

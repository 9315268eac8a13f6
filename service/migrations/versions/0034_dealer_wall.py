"""On PostgreSQL who acts for one dealer is shown that one's rows alone, whatever a statement forgets: row-level security.

A later table that is a dealer's is put behind the wall in its own migration.
"""

from alembic import op

revision = "0034"
down_revision = "0033"
branch_labels = None
depends_on = None

_MINE = "(SELECT current_setting('bows.dealer', true))"
"""Asked once a statement; the connection says '*' for all (`service.core.dealer_wall`), and what says nothing gets nothing."""
_ITS_OWN = (
    *("api_keys", "audit", "calendars", "closed_addresses", "compositions", "contacts", "doors", "enquiries"),
    *("joined_players", "outbox", "player_notes", "prices", "search_words", "tablet_codes", "tablets", "trials"),
)
_BY_TRIAL = (
    *("follow_ups", "head_to_heads", "outcomes", "parcels", "runs", "seats", "sheets", "slots", "trial_copies"),
)
_BY_USER = (
    *("half_sign_ins", "kept_forms", "known_browsers", "password_links", "recovery_codes", "second_factors"),
    "staff_sessions",
)
_PLAYED = ("outcomes", "runs", "trial_copies")
"""Rows of one's own trials that name a bow: it is still told what it was, once it is another's."""


def upgrade() -> None:
    """Put every table that is a dealer's behind the wall."""
    if op.get_bind().dialect.name != "postgresql":
        return
    _stand("dealers", _own("slug"))
    for table in _ITS_OWN:
        _stand(table, _own("dealer"))
    for table in _BY_TRIAL:
        _stand(table, _hangs(table, "trial", "trials.id"))
    for table in _BY_USER:
        _stand(table, _hangs(table, "user", "users.id", f" AND users.dealer = {_MINE}"))
    for table in ("bench_readings", "events"):
        _stand(table, _hangs(table, "copy", "copies.serial", f" AND copies.dealer = {_MINE}"))
    _stand("sandboxes", _hangs("sandboxes", "key", "api_keys.digest"))
    _stand("pairs", _hangs("pairs", "head_to_head", "head_to_heads.id"))
    _stand("bow_marks", f"{_own('dealer')} OR dealer = ''")  # sums of trials that are no dealer's
    # Accounts that are bound to no dealer are the house's; whoever reads what they did is told who it was.
    _stand("users", f"{_own('dealer')} OR dealer IS NULL")
    played = " OR ".join(f"EXISTS (SELECT FROM {table} WHERE copy = serial)" for table in _PLAYED)
    op.execute(
        "CREATE FUNCTION dealer_wall_played(serial text) RETURNS boolean LANGUAGE plpgsql STABLE "
        f"AS $$ BEGIN RETURN {played}; END $$"
    )
    _stand("copies", f"{_own('dealer')} OR dealer_wall_played(serial)")


def _stand(table: str, own: str) -> None:
    """Put a table behind the wall, which its owner, whom the service comes in as, stands before too."""
    op.execute(f"CREATE POLICY dealer_wall ON {table} USING ({own})")
    op.execute(f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY")


def _own(column: str) -> str:
    return f"{_MINE} IN ('*', {column})"


def _hangs(table: str, column: str, on: str, more: str = "") -> str:
    """Return the condition that a row hangs on one that is shown; `OFFSET 0` has it looked up, where else all such rows may be read first."""
    found = f'SELECT FROM {on.partition(".")[0]} WHERE {on} = {table}."{column}"{more} OFFSET 0'
    return f"{_MINE} = '*' OR EXISTS ({found})"

"""Who may what: one closed table of role and binding. What is not in it is not allowed.

An account is bound to one dealer, or to none. A bound one never sees, changes or grants anything beyond its dealer.
"""

from collections.abc import Mapping

TRIALS, STOCK, RANGE, MODEL, ACCOUNTS = "trials", "stock", "range", "model", "accounts"
EVERY_DEALER = "every dealer"
"""What there is to be allowed: to lead trials (enquiries, players, tablets, mail too), to see and change bows, to say what
the maker's tiers are meant to be, to see what the model has learnt, to look after accounts, keys and the record; and to do so of every dealer and of what is no dealer's."""
BOUND, FREE = True, False

MAY: Mapping[tuple[str, bool], frozenset[str]] = {
    ("adviser", BOUND): frozenset({TRIALS, STOCK}),
    ("workshop", BOUND): frozenset({STOCK, MODEL}),
    ("workshop", FREE): frozenset({STOCK, RANGE, MODEL, EVERY_DEALER}),
    ("owner", BOUND): frozenset({TRIALS, STOCK, MODEL, ACCOUNTS}),
    ("owner", FREE): frozenset({TRIALS, STOCK, RANGE, MODEL, ACCOUNTS, EVERY_DEALER}),
}
"""What a role may, bound to a dealer or free."""


def may(role: str, home: str | None, what: str) -> bool:
    """Say whether a role may do something; ``home`` is the dealer that the account is bound to, None for none."""
    return what in MAY.get((role, home is not None), frozenset())


def may_grant(role: str, home: str | None, granted: str, dealer: str | None) -> bool:
    """Say whether one account may give another a role and a dealer: nothing that it may not do itself, nowhere else."""
    if not may(role, home, ACCOUNTS) or (home is not None and dealer != home):
        return False
    wide = MAY.get((granted, dealer is not None), frozenset())
    return wide <= MAY[role, home is not None]

"""Who may what: permissions, and every role as a set of them. What stands in no role is not allowed to anybody.

A role is one entry of `ROLES`. A route names the permission that it needs, never a role, so that an entry is all that a further
role takes: ``"shelf": Role(N_("shelf"), N_("sees the stock"), frozenset({Permission.STOCK_VIEW}))``.
"""

from dataclasses import dataclass
from enum import StrEnum

from service.core.language import N_, _
from service.core.scopes import AllDealers, Scope


class Permission(StrEnum):
    """What there is to be allowed. Whoever may only ``view`` changes nothing."""

    ENQUIRIES_VIEW = "enquiries:view"
    ENQUIRIES_CHANGE = "enquiries:change"
    TRIALS_VIEW = "trials:view"
    TRIALS_RUN = "trials:run"
    PLAYERS_VIEW = "players:view"
    PLAYERS_CHANGE = "players:change"
    PLAYERS_EXPORT = "players:export"
    PLAYERS_ERASE = "players:erase"
    STOCK_VIEW = "stock:view"
    STOCK_CHANGE = "stock:change"
    RANGE_VIEW = "range:view"
    RANGE_CHANGE = "range:change"
    MODEL_VIEW = "model:view"
    MODEL_CHANGE = "model:change"
    TABLETS_VIEW = "tablets:view"
    TABLETS_CHANGE = "tablets:change"
    MAIL_VIEW = "mail:view"
    MAIL_CHANGE = "mail:change"
    SETTINGS_VIEW = "settings:view"
    SETTINGS_CHANGE = "settings:change"
    FIGURES_VIEW = "figures:view"
    DEALERS_CHOOSE = "dealers:choose"
    USERS_VIEW = "users:view"
    USERS_CHANGE = "users:change"
    AUDIT_VIEW = "audit:view"
    RETENTION_VIEW = "retention:view"
    RETENTION_CHANGE = "retention:change"


_P = Permission
OF_NO_DEALER = frozenset({_P.RANGE_VIEW, _P.RANGE_CHANGE, _P.MODEL_CHANGE})
"""What speaks of things that are no dealer's: a bound account has none of it, whatever its role."""


@dataclass(frozen=True, slots=True)
class Role:
    """A role: its name and what it does, in words, and what it may; ``one_dealer``: it is always bound to a dealer."""

    name: str
    does: str
    may: frozenset[Permission]
    one_dealer: bool = False


ROLES: dict[str, Role] = {
    "adviser": Role(
        N_("adviser"),
        N_("one dealer’s enquiries, trials, players and stock"),
        frozenset(
            {
                *(_P.ENQUIRIES_VIEW, _P.ENQUIRIES_CHANGE, _P.TRIALS_VIEW, _P.TRIALS_RUN),
                *(_P.PLAYERS_VIEW, _P.PLAYERS_CHANGE, _P.PLAYERS_EXPORT, _P.PLAYERS_ERASE),
                *(_P.STOCK_VIEW, _P.STOCK_CHANGE, _P.TABLETS_VIEW, _P.TABLETS_CHANGE),
                *(_P.MAIL_VIEW, _P.MAIL_CHANGE, _P.SETTINGS_VIEW),
            }
        ),
        one_dealer=True,
    ),
    "workshop": Role(
        N_("workshop"),
        N_("the range, every bow, our estimate; players only as numbers"),
        frozenset({_P.STOCK_VIEW, _P.STOCK_CHANGE, _P.RANGE_VIEW, _P.RANGE_CHANGE, _P.MODEL_VIEW, _P.MODEL_CHANGE}),
    ),
    "owner": Role(N_("owner"), N_("everything, accounts and the record included"), frozenset(Permission)),
}


def permissions(role: str, scope: Scope) -> frozenset[Permission]:
    """Return what an account may by its role and the scope that it is bound to; nothing by a role that is not known."""
    known = ROLES.get(role)
    if known is None or (known.one_dealer and isinstance(scope, AllDealers)):
        return frozenset()
    return known.may if isinstance(scope, AllDealers) else known.may - OF_NO_DEALER


def may_grant(role: str, scope: Scope, granted: str, wanted: Scope) -> bool:
    """Say whether one account may give, or hand on, another's role and scope: nothing that it may not do itself, nowhere else."""
    mine = permissions(role, scope)
    return Permission.USERS_CHANGE in mine and wanted.within(scope) and permissions(granted, wanted) <= mine


def name_of(role: str) -> str:
    """Return a role's name in words; one that is no longer in the table as it is kept."""
    return _(ROLES[role].name) if role in ROLES else role

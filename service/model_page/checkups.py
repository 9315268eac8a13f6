"""The versions of the model and their check-ups, as they were stored when each was fitted."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, defer

from service.tables import ModelVersion

MOST_VERSIONS = 12
"""So many of the newest versions are shown; the adopted one is among them whatever its age."""


@dataclass(frozen=True, slots=True)
class CheckUp:
    """How a version did on players held out of its fit.

    Attributes
    ----------
    error, tier_mean : root mean squared error of the overall rating in points, of the model and of the tier's mean alone.
    coverage : share of the 90 % intervals that held, None where it was not measured.
    ratings, players : how many were held out.
    """

    error: float
    tier_mean: float
    ratings: int
    players: int
    coverage: float | None = None


@dataclass(frozen=True, slots=True)
class Version:
    """One version. ``standing``: 'in_use', 'candidate' (newer than the one in use) or 'earlier'; ``why`` as it was decided."""

    number: int
    fitted_at: dt.datetime
    standing: str
    trials: int
    data_digest: str
    code_version: str
    checkup: CheckUp | None
    why: str


def versions(session: Session) -> list[Version]:
    """Return the newest versions and the adopted one, oldest first."""
    light = select(ModelVersion).options(defer(ModelVersion.artifact))
    newest = session.scalars(light.order_by(ModelVersion.id.desc()).limit(MOST_VERSIONS)).all()
    adopted = session.scalars(light.where(ModelVersion.adopted)).one_or_none()
    rows = {row.id: row for row in (*newest, *([adopted] if adopted else []))}
    in_use = adopted.id if adopted else 0
    return [_version(rows[number], in_use) for number in sorted(rows)]


def _version(row: ModelVersion, in_use: int) -> Version:
    report = row.report
    return Version(
        number=row.id,
        fitted_at=row.fitted_at,
        standing="in_use" if row.id == in_use else "candidate" if row.id > in_use else "earlier",
        trials=int(report.get("trials", 0)),
        data_digest=row.data_digest,
        code_version=row.code_version,
        checkup=_checkup(report),
        why=str(report.get("why", "")),
    )


def _checkup(report: Mapping[str, Any]) -> CheckUp | None:
    held_out = report.get("held_out_players")
    if not held_out:
        return None
    return CheckUp(
        error=float(held_out["rmse_model"]),
        tier_mean=float(held_out["rmse_tier_mean"]),
        ratings=int(held_out["ratings"]),
        players=int(held_out["players"]),
    )

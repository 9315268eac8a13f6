"""Fitted models: fit a new version from all trials, adopt it, keep the adopted one in memory."""

import datetime as dt
import hashlib
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import select, update
from sqlalchemy.orm import Session, defer

import model
from model.artifact import ArtifactError, from_bytes, to_bytes
from model.choice import Offer
from model.crosscheck import CrossCheck, cross_check
from model.posterior import Posterior
from model.preference import PreferenceModel
from model.records import Event, Outcome, Range, Trial
from service import history
from service.database import Database
from service.errors import Refused
from service.tables import ModelVersion

Progress = Callable[[int, int], None]
KEPT_IN_MEMORY = 3
"""Fitted models held by a process: the adopted one, and its neighbours while the adoption changes."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """A fitted model with its version; both None where nothing is adopted and the beliefs alone speak."""

    key: str
    posterior: Posterior | None = None
    version: int | None = None
    fitted_at: dt.datetime | None = None


@dataclass(frozen=True, slots=True)
class FitResult:
    """What `fit` did: the new version's id, and sentences for whoever ran it."""

    version_id: int
    lines: tuple[str, ...]


def code_version() -> str:
    """Return a short digest of the model's own source: the same code, the same word."""
    found = hashlib.sha256()
    for file in sorted(Path(model.__file__).parent.glob("*.py")):
        found.update(file.name.encode() + b"\0" + file.read_bytes())
    return found.hexdigest()[:12]


def fit(database: Database, progress: Progress | None = None) -> FitResult:
    """Fit a new version from all trials, check it on players held out, keep it and adopt it.

    Raises
    ------
    Refused
        There is no trial yet, or the ratings allow no fit; the version in use stays.
    """
    with database.reading() as session:
        range_, trials, events = history.read_range(session), history.read_trials(session), history.read_events(session)
        outcomes, offers = history.read_outcomes(session), history.read_offers(session)
        digest = history.digest(session)
    if not trials:
        msg = "There are no trials to fit yet. Until there are, the advice rests on the starting beliefs and says so."
        raise Refused(msg)
    posterior, check = _fitted(range_, trials, events, outcomes, offers, progress)
    report = _report(posterior, check)
    version = ModelVersion(
        fitted_at=dt.datetime.now(dt.UTC),
        adopted=False,
        data_digest=digest,
        code_version=code_version(),
        report=report,
        artifact=to_bytes(posterior),
    )
    with database.writing() as session:
        session.add(version)
        session.flush()
        version_id = version.id
        adopt(session, version_id)
    return FitResult(version_id, _lines(version_id, posterior, check))


def _fitted(
    range_: Range,
    trials: Sequence[Trial],
    events: Sequence[Event],
    outcomes: Sequence[Outcome],
    offers: Mapping[str, Offer],
    progress: Progress | None,
) -> tuple[Posterior, CrossCheck | None]:
    steps = 6
    try:
        posterior = PreferenceModel(range_).fit(trials, events, outcomes, offers).posterior_
        if progress:
            progress(1, steps)
        check = cross_check(range_, trials, events, (lambda done, _: progress(done + 1, steps)) if progress else None)
    except (ValueError, RuntimeError) as error:
        msg = f"The trials allow no fit: {error}. The version in use stays."
        raise Refused(msg) from error
    return posterior, check


def _report(posterior: Posterior, check: CrossCheck | None) -> dict[str, object]:
    held_out = None
    if check:
        held_out = {
            "rmse_model": check.model,
            "rmse_tier_mean": check.tier_mean,
            "ratings": check.ratings,
            "players": check.players,
        }
    return {"trials": sum(posterior.trials.values()), "held_out_players": held_out}


def _lines(version: int, posterior: Posterior, check: CrossCheck | None) -> tuple[str, ...]:
    trials, copies = sum(posterior.trials.values()), len({copy for copy, _ in posterior.levels})
    ratings = int(posterior.rows[0])
    fitted = (
        f"Version {version}: fitted to {trials} trials with {ratings} overall ratings of {copies} copies, and adopted."
    )
    shares = ", ".join(
        f"{name} {sd[0]:.2f}"
        for name, sd in (
            ("player", posterior.player_sd),
            ("copy", posterior.copy_sd),
            ("match", posterior.match_sd),
            ("repeat", posterior.repeat_sd),
        )
    )
    made_of = f"Where one overall rating comes from, in points (standard deviation): {shares}."
    checked = "Fewer than five players: no check on players held out of the fit is possible yet."
    if check:
        checked = (
            f"Checked on players held out, five times a fifth of {check.players}: error {check.model:.3f} points, "
            f"the tier's mean alone {check.tier_mean:.3f} ({check.ratings} ratings)."
        )
    return fitted, made_of, checked


def adopt(session: Session, version: int) -> None:
    """Put a version in use; raises `Refused` where it does not exist or does not load."""
    row = session.get(ModelVersion, version)
    if row is None:
        msg = f"There is no version {version}; `fit --list` shows those there are."
        raise Refused(msg)
    try:
        from_bytes(row.artifact)
    except ArtifactError as error:
        msg = f"Version {version} cannot be used: {error}. The version in use stays."
        raise Refused(msg) from error
    session.execute(update(ModelVersion).where(ModelVersion.adopted).values(adopted=False))
    session.flush()
    session.execute(update(ModelVersion).where(ModelVersion.id == version).values(adopted=True))


@dataclass(frozen=True, slots=True)
class Listed:
    """One line of ``fit --list``."""

    version: int
    fitted_at: dt.datetime
    adopted: bool
    trials: int
    error: float | None
    tier_mean_error: float | None


def listing(session: Session) -> list[Listed]:
    """Return every version, newest first."""
    rows = session.scalars(
        select(ModelVersion).options(defer(ModelVersion.artifact)).order_by(ModelVersion.id.desc())
    ).all()
    return [_listed(row) for row in rows]


def _listed(row: ModelVersion) -> Listed:
    held_out = row.report.get("held_out_players") or {}
    return Listed(
        version=row.id,
        fitted_at=row.fitted_at,
        adopted=row.adopted,
        trials=int(row.report.get("trials", 0)),
        error=held_out.get("rmse_model"),
        tier_mean_error=held_out.get("rmse_tier_mean"),
    )


_memory: OrderedDict[str, Posterior] = OrderedDict()


def current(session: Session) -> Fitted:
    """Return the adopted model, from memory where it is there already; without one, an empty record.

    Raises
    ------
    Refused
        The adopted version is damaged or of a newer format.
    """
    adopted = session.execute(
        select(ModelVersion.id, ModelVersion.fitted_at, ModelVersion.data_digest).where(ModelVersion.adopted)
    ).one_or_none()
    if adopted is None:
        return Fitted(key="")
    key = f"{adopted.id} {adopted.fitted_at.isoformat()} {adopted.data_digest}"
    if key not in _memory:
        _memory[key] = _load(session, adopted.id)
        while len(_memory) > KEPT_IN_MEMORY:
            _memory.popitem(last=False)
    return Fitted(key, _memory[key], adopted.id, adopted.fitted_at)


def _load(session: Session, version: int) -> Posterior:
    artifact = session.scalar(select(ModelVersion.artifact).where(ModelVersion.id == version))
    try:
        return from_bytes(artifact or b"")
    except ArtifactError as error:
        msg = f"The fitted model in use, version {version}, cannot be read: {error}."
        raise Refused(msg) from error


def check(session: Session) -> str:
    """Return one sentence on the model in use; raises `Refused` where it cannot be used."""
    fitted = current(session)
    if fitted.posterior is None:
        return "model: none fitted yet, the advice rests on the starting beliefs"
    return f"model: version {fitted.version} in use, fitted to {sum(fitted.posterior.trials.values())} trials"

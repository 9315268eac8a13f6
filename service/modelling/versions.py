"""Fitted models as they are kept: which there are, which is in use, and the one in use in memory."""

import datetime as dt
import hashlib
import logging
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Self

from sqlalchemy import func, select, update
from sqlalchemy.orm import Session, defer

import model
from model.domain.records import Trial
from model.preference import NO_RECALIBRATION, ArtifactError, FittedModel, from_bytes, reported_slope
from service.core import audit, audit_events
from service.core.database import unhurried
from service.core.errors import ConflictError
from service.core.made_once import MadeOnce
from service.modelling import fit_words, stored_files
from service.modelling.aside import Aside
from service.modelling.present import Present
from service.tables import ModelVersion

KEPT_IN_MEMORY = 3
"""Fitted models held by a process: the adopted one, and its neighbours while the adoption changes."""
CHECKS = frozenset(
    {"evaluation", "preference/batch.py", "preference/chances.py", "preference/character.py", "preference/report.py"}
)
"""Packages and modules of the model that check and tell; no fit goes through them, so that a change there makes no other kind of model."""
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Fitted:
    """A fitted model with its version; both None where the beliefs alone speak.

    ``instead_of`` : the version in use, where it is damaged and this, or the beliefs, stand in for it.
    ``slope`` : of the recalibration by which its chances are told, see `model.preference.chances`.
    """

    key: str
    posterior: FittedModel | None = None
    version: int | None = None
    fitted_at: dt.datetime | None = None
    instead_of: int | None = None
    slope: float = reported_slope()


@dataclass(frozen=True, slots=True)
class Seen:
    """Which trials a version was fitted to: all up to the day ``until``, of that day and later the ``keys`` only."""

    until: dt.date
    keys: frozenset[str]

    @classmethod
    def of(cls, trials: Iterable[Trial], today: dt.date) -> Self:
        """Sum up trials; a day to come, by mistake in a date, hides no trials that are held before it."""
        given = tuple(trials)
        last_day = min(max(trial.on for trial in given), today)
        return cls(last_day, frozenset(trial.key for trial in given if trial.on >= last_day))

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Self:
        """Read what `to_json` wrote."""
        return cls(dt.date.fromisoformat(data["until"]), frozenset(data["keys"]))

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {"until": self.until.isoformat(), "keys": sorted(self.keys)}

    def is_new(self, trial: Trial) -> bool:
        """Say whether a trial came after."""
        return trial.on >= self.until and trial.key not in self.keys


def code_version() -> str:
    """Return a short digest of the source that a fit goes through: the same code, the same word."""
    found = hashlib.sha256()
    root = Path(model.__file__).parent
    for file in sorted(root.rglob("*.py")):
        name = file.relative_to(root)
        if not CHECKS & {name.parts[0], name.as_posix()}:
            found.update(name.as_posix().encode() + b"\0" + file.read_bytes())
    return found.hexdigest()[:12]


# Which are there


@dataclass(frozen=True, slots=True)
class ListedVersion:
    """One line of ``fit --list``. ``error``, ``tier_mean_error``: on players held out, None where there was no check-up."""

    version: int
    fitted_at: dt.datetime
    adopted: bool
    trials: int
    error: float | None
    tier_mean_error: float | None
    used: bool  # whether it is or was in use; otherwise it is a candidate, and `why` says what was decided
    why: str
    put_away: bool  # whether its file is gone, so that it can be put in use no more


def listing(session: Session) -> list[ListedVersion]:
    """Return every version, newest first."""
    rows = session.scalars(
        select(ModelVersion).options(defer(ModelVersion.artifact)).order_by(ModelVersion.id.desc())
    ).all()
    emptied = stored_files.emptied(session)
    return [_listed(row, emptied) for row in rows]


def _listed(row: ModelVersion, emptied: frozenset[int]) -> ListedVersion:
    held_out = row.report.get("held_out_players") or {}
    return ListedVersion(
        version=row.id,
        fitted_at=row.fitted_at,
        adopted=row.adopted,
        trials=int(row.report.get("trials", 0)),
        error=held_out.get("rmse_model"),
        tier_mean_error=held_out.get("rmse_tier_mean"),
        used=row.adopted or bool(row.report.get("used")),
        why=fit_words.why(row.report),
        put_away=row.id in emptied,
    )


def used(session: Session, since: dt.datetime | None = None) -> Iterator[ModelVersion]:
    """Give the versions that are or were in use, fitted since a moment, newest first, without their artifacts."""
    light = select(ModelVersion).options(defer(ModelVersion.artifact)).order_by(ModelVersion.id.desc())
    for row in session.scalars(light if since is None else light.where(ModelVersion.fitted_at >= since)):
        if row.adopted or row.report.get("used"):
            yield row


# Which one is in use


def adopt(session: Session, version: int) -> None:
    """Put a version in use; raises `ConflictError` where it does not exist or does not load."""
    row = session.get(ModelVersion, version)
    if row is None:
        msg = f"There is no version {version}; `fit --list` shows those there are."
        raise ConflictError(msg)
    try:
        _whole(row.artifact)
    except ArtifactError as error:
        msg = f"Version {version} cannot be used: {error}. The version in use stays."
        raise ConflictError(msg) from error
    session.execute(update(ModelVersion).where(ModelVersion.adopted).values(adopted=False))
    session.flush()
    row.adopted, row.report = True, row.report | {"used": True, "used_since": dt.datetime.now(dt.UTC).isoformat()}
    audit.record(session, None, audit_events.MODEL_ADOPTED, f"model {version}", dealer=None)
    session.flush()


_memory: MadeOnce[str, Fitted] = MadeOnce(KEPT_IN_MEMORY)
READ_AT_ONCE = 3 * stored_files.MEGABYTE // 2
"""A version whose file is no larger is read by the request that asks for it first: within a tenth of a second."""
_aside = Aside()
_answering: dict[str, Fitted] = {}
"""The version in use that this process answered with last, by the database's address."""
_not_aside: set[str] = set()
"""Keys of versions that could not be made ready aside: the next request reads them itself, and says what is wrong."""
laid_over: list[Callable[[Fitted], None]] = []
"""What else is made of a version before it answers."""
_instead: dict[str, int] = {}
"""The version that stands in for one in use that cannot be read, by that one's key."""
_unreadable: set[str] = set()
"""Keys of versions of which it was said that they cannot be read."""


def current(session: Session, present: Present | None = None, *, wait: bool = False) -> Fitted:
    """Return the model in use, from memory where it is there already; without one, an empty record.

    A large new one is made ready aside, and until then the one before is returned, unless ``wait``. ``present``: which is in use, where
    that was read.
    """
    # Where the version in use is damaged or of another format, the newest readable one that was in use before stands
    # in, else the beliefs: a damaged file must keep nobody from an advice. The record says so, and `check` tells.
    adopted = present.adopted if present else session.execute(_facts().where(ModelVersion.adopted)).one_or_none()
    if adopted is None:
        return Fitted(key="")
    version, key = adopted[0], _key(*adopted)
    if key not in _instead:
        try:
            before = _memory.get(key) or (None if wait else _while_made_ready(session, key, *adopted))
            if before is None:
                before = _answering[_where(session)] = _remembered(session, *adopted)
        except ArtifactError as error:
            found = _before(session, version)
            if key not in _unreadable:
                instead = "the beliefs stand in" if found is None else f"version {found} stands in"
                _log.warning("version %s of the model cannot be read (%s); %s", version, error, instead)
                _unreadable.add(key)
            if found is None:  # not kept in mind: where a test key asks, no other version lies that could be read
                return replace(load(session, None), instead_of=version)
            _instead[key] = found
        else:
            return before
    try:
        return replace(load(session, _instead.get(key)), instead_of=version)
    except ConflictError:
        _instead.pop(key, None)  # that one is gone or damaged too by now: look for another
        return current(session, present, wait=wait)


def wait() -> None:
    """Wait until no version is being made ready aside, as before a process branches off: of a thread it would have half."""
    _aside.wait()


def _while_made_ready(session: Session, key: str, version: int, fitted_at: dt.datetime, digest: str) -> Fitted | None:
    """Return the version that answered before while a large one is made ready aside; None where it is there, or nothing else answers."""
    where = _where(session)
    before = None if key in _not_aside else _answering.get(where)
    if before is None:
        return None
    if not _aside.is_at(key):
        size = session.scalar(select(func.length(ModelVersion.artifact)).where(ModelVersion.id == version))
        if not size or size <= READ_AT_ONCE:
            return None
        if before.key == key:  # that itself, gone from memory for others that were looked at
            return before

        def make(own: Session) -> None:
            try:
                fitted = _read(own, version, fitted_at, digest)
                for lay in laid_over:
                    lay(fitted)
            except Exception:
                _not_aside.add(key)
                raise
            _answering[where] = _memory.put(key, fitted)

        if not _aside.begins(key, session, make):
            return None
    return before


def _where(session: Session) -> str:
    return str(session.get_bind().engine.url)


def load(session: Session, version: int | None) -> Fitted:
    """Return one version, or the beliefs alone for None; raises `ConflictError` where it does not exist or cannot be read."""
    if version is None:
        return Fitted(key="")
    facts = session.execute(_facts().where(ModelVersion.id == version)).one_or_none()
    if facts is None:
        msg = f"There is no version {version} of the model any more."
        raise ConflictError(msg)
    try:
        return _remembered(session, *facts)
    except ArtifactError as error:
        msg = f"Version {version} of the model cannot be read: {error}."
        raise ConflictError(msg) from error


def _facts() -> Any:
    return select(ModelVersion.id, ModelVersion.fitted_at, ModelVersion.data_digest)


def _key(version: int, fitted_at: dt.datetime, digest: str) -> str:
    return f"{version} {fitted_at.isoformat()} {digest}"


def _remembered(session: Session, version: int, fitted_at: dt.datetime, digest: str) -> Fitted:
    """Return a version from memory, else from the database; raises `ArtifactError`."""
    key = _key(version, fitted_at, digest)
    return _memory.of(key, lambda: _read(session, version, fitted_at, digest))


def _read(session: Session, version: int, fitted_at: dt.datetime, digest: str) -> Fitted:
    stored = select(ModelVersion.artifact, ModelVersion.report).where(ModelVersion.id == version)
    with unhurried(session):
        row = session.execute(stored).one_or_none()
    posterior, slope = _whole(row.artifact if row else b""), slope_of(row.report if row else {})
    return Fitted(_key(version, fitted_at, digest), posterior, version, fitted_at, slope=slope)


def _whole(artifact: bytes) -> FittedModel:
    """Return the model in a version's file; raises `ArtifactError`, of a file that was put away too."""
    if not artifact:
        msg = "its file was put away to save room, as those of older versions are; fit anew"
        raise ArtifactError(msg)
    return from_bytes(artifact)


def slope_of(report: Mapping[str, Any]) -> float:
    """Return the slope by which a version's chances are told: what its check-up found needed for marks is in it, if it has one."""
    chances = (report.get("check_up") or {}).get("chances") or {}
    return reported_slope(float(chances.get("slope") or NO_RECALIBRATION))


def _before(session: Session, version: int) -> int | None:
    """Return the newest other version that was in use and can be read."""
    for row in used(session):
        try:
            if row.id != version and row.artifact and from_bytes(row.artifact):
                return row.id
        except ArtifactError as error:
            _log.warning("version %s of the model cannot be read either: %s", row.id, error)
    return None


def check(session: Session) -> str:
    """Return one sentence on the model in use; raises `ConflictError` where it cannot be used."""
    adopted = session.scalar(select(ModelVersion.id).where(ModelVersion.adopted))
    if adopted is None:
        return "model: none fitted yet, the advice rests on the starting beliefs"
    fitted = current(session)
    if fitted.instead_of is not None or fitted.posterior is None:
        stands_in = "the starting beliefs stand" if fitted.version is None else f"version {fitted.version} stands"
        msg = f"The fitted model in use, version {adopted}, cannot be read; {stands_in} in. Fit anew."
        raise ConflictError(msg)
    files = stored_files.stored(session)
    said = f"model: version {fitted.version} in use, fitted to {sum(fitted.posterior.trials.values())} trials"
    kept = f"{files.kept} versions are kept ({files.size / stored_files.MEGABYTE:.1f} MB)"
    gone = f", the files of {files.put_away} older ones were put away" if files.put_away else ""
    return f"{said}; {kept}{gone}"

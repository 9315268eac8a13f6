"""Room for fitted models: whether another one can be kept, and which older ones are put away for it."""

import shutil
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, func, select, update
from sqlalchemy.orm import Session

from service.core.database import Database
from service.core.errors import ConflictError
from service.tables import ModelVersion

MEGABYTE = 2**20
KEPT_TOGETHER = 250 * MEGABYTE
"""So much the files of all versions may take; see `put_away`."""
LARGEST = 400 * MEGABYTE
"""Both databases hold a gigabyte in one piece at most; written as text, as when PostgreSQL is dumped, a file takes twice its size."""
COPIES_AT_ONCE = 3
"""Times a file's size that SQLite needs on the disk for a moment: its log, the database, and what stands in it already."""


@dataclass(frozen=True, slots=True)
class StoredFiles:
    """How many versions' files there are, what they take in bytes, and of how many versions the file was put away."""

    kept: int
    size: int
    put_away: int


def require_room(database: Database, size: int) -> None:
    """Refuse a model of about ``size`` bytes that could not be kept: `ConflictError` with what to do; before anything is computed."""
    said = f"The model would take about {size // MEGABYTE} MB"
    stays = "Nothing was computed, and the version in use stays."
    if size > LARGEST:
        msg = (
            f"{said}, and the database holds no more than {LARGEST // MEGABYTE} MB in one piece: too many bows were tried by "
            f"the same players. {stays} Let older trials go sooner, or part the range between two installations, and fit again."
        )
        raise ConflictError(msg)
    if database.file is None:
        return
    free, needed = shutil.disk_usage(database.file.resolve().parent).free, COPIES_AT_ONCE * size
    if free < needed:
        msg = (
            f"{said} and needs {needed // MEGABYTE + 1} MB on the disk for a moment, where the database has {free // MEGABYTE} MB "
            f"free. {stays} Make room there, for instance by moving old backups elsewhere, and fit again."
        )
        raise ConflictError(msg)


def put_away(session: Session) -> None:
    """Empty the files of older versions, so that all together take no more than `KEPT_TOGETHER`, newest first.

    The version in use, the one that was in use before it and the newest keep theirs whatever they take. What is known of a version
    whose file is put away, its check-up above all, stays; it can be put in use no more.
    """
    rows = session.execute(_sizes().order_by(ModelVersion.id.desc())).all()
    before = _used_before(session)
    always = {rows[0].id, before} | {row.id for row in rows if row.adopted} if rows else set()
    taken, gone = sum(row.size for row in rows if row.id in always), []
    for row in rows:
        if row.id not in always:
            taken += row.size
            if taken > KEPT_TOGETHER:
                gone.append(row.id)
    if gone:  # one that was put in use meanwhile keeps its file
        emptied = update(ModelVersion).where(ModelVersion.id.in_(gone), ~ModelVersion.adopted)
        session.execute(emptied.values(artifact=b""))


def _used_before(session: Session) -> int | None:
    """Return the version with a file that was in use last before that in use; of versions that do not say since when, the newest."""
    row, since = ModelVersion, ModelVersion.report["used_since"].as_string()
    was_used = ~row.adopted & row.report["used"].as_boolean() & (func.length(row.artifact) > 0)
    return session.scalar(
        select(row.id).where(was_used).order_by(func.coalesce(since, "").desc(), row.id.desc()).limit(1)
    )


def _sizes() -> Select[Any]:
    return select(ModelVersion.id, ModelVersion.adopted, func.length(ModelVersion.artifact).label("size"))


def stored(session: Session) -> StoredFiles:
    """Return what the files take."""
    sizes = [row.size for row in session.execute(_sizes())]
    return StoredFiles(sum(size > 0 for size in sizes), sum(sizes), sizes.count(0))


def emptied(session: Session) -> frozenset[int]:
    """Return the versions whose files were put away."""
    return frozenset(session.scalars(select(ModelVersion.id).where(func.length(ModelVersion.artifact) == 0)))

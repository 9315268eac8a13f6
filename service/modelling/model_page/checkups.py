"""The versions of the model and their check-ups, as they were stored when each was fitted."""

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, defer

from model.preference import PriorSettings
from service.modelling import fit_words, stored_files
from service.modelling.model_page import parts_worth, strokes_worth, told_chances
from service.modelling.model_page.parts_worth import Worth
from service.modelling.model_page.strokes_worth import StrokesFound
from service.modelling.model_page.told_chances import Chances
from service.tables import ModelVersion

MOST_VERSIONS = 12
"""So many of the newest versions are shown; the adopted one is among them whatever its age."""
FEWEST_DIFFERING = 2
"""Of one trial alone no standard error can be told."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure and its standard error, None where the error cannot be told."""

    mean: float
    error: float | None = None


@dataclass(frozen=True, slots=True)
class CheckUp:
    """How a version's kind did on players held out of its fit, once they had rated ``told`` bows besides their own.

    ``error``, ``tier_mean``: root mean squared error of the overall rating in points, of the model and of the tier's mean
    alone. ``regret``: points by which the best bow of a trial was liked better than the model's first choice, None likewise.
    ``ratings``, ``players``: how many were held out.
    """

    told: int
    error: Figure
    tier_mean: Figure
    coverage: Figure | None  # share of ratings among the likely marks of nine in ten, None where it was not measured
    promised: float  # the share that should have been
    regret: Figure | None
    ratings: int
    players: int


@dataclass(frozen=True, slots=True)
class Won:
    """What the bows that the model named first won, in points, against those of a rule of thumb, in trials held out."""

    rule: str
    bows: int  # were named in each trial
    better: Figure
    differing: int  # trials in which the two named different ones


@dataclass(frozen=True, slots=True)
class Version:
    """One version.

    ``ablation``: by answer how many gave it and what would be another one without, see `model.evaluation.ablation`.
    ``beliefs``: the starting values that it was fitted from; the program's present ones where they were not kept.
    """

    number: int
    fitted_at: dt.datetime
    standing: str  # 'in_use', 'candidate' (never was in use) or 'earlier' (was in use before)
    trials: int
    data_digest: str
    code_version: str
    checkups: tuple[CheckUp, ...]  # by the number of bows rated, ascending; none where there were too few players
    won: tuple[Won, ...]  # against each rule of thumb that could be compared
    chances: Chances | None  # whether chances told came true; None where it was not looked at
    ablation: Mapping[str, Mapping[str, int]]
    parts: tuple[Worth, ...]  # how much each part of the model took away from its error
    strokes: StrokesFound | None  # the playable range; None where nobody had played it
    why: str  # why it was adopted or stays a candidate
    beliefs: PriorSettings
    put_away: bool  # whether its file is gone, see `stored_files.put_away`

    @property
    def checkup(self) -> CheckUp | None:
        """The first of its check-ups, before any rating of the player's own but that of the own bow."""
        return next(iter(self.checkups), None)


def versions(session: Session, shown: int) -> list[Version]:
    """Return the newest versions, the adopted one and that which is shown, oldest first."""
    light = select(ModelVersion).options(defer(ModelVersion.artifact))
    newest = session.scalars(light.order_by(ModelVersion.id.desc()).limit(MOST_VERSIONS)).all()
    others = session.scalars(light.where(ModelVersion.adopted | (ModelVersion.id == shown))).all()
    rows = {row.id: row for row in (*newest, *others)}
    emptied = stored_files.emptied(session)
    return [_version(rows[number], emptied) for number in sorted(rows)]


def _version(row: ModelVersion, emptied: frozenset[int]) -> Version:
    report = row.report
    return Version(
        number=row.id,
        fitted_at=row.fitted_at,
        standing="in_use" if row.adopted else "earlier" if report.get("used") else "candidate",
        trials=int(report.get("trials", 0)),
        data_digest=row.data_digest,
        code_version=row.code_version,
        checkups=tuple(_checkups(report.get("check_up") or {})),
        won=tuple(_won(report.get("check_up") or {})),
        chances=told_chances.read(report.get("check_up") or {}),
        ablation=report.get("ablation") or {},
        parts=parts_worth.read(report.get("check_up") or {}),
        strokes=strokes_worth.read(report.get("check_up") or {}),
        why=fit_words.why(report),
        beliefs=_beliefs(report.get("beliefs") or {}),
        put_away=row.id in emptied,
    )


def _beliefs(stored: Mapping[str, float]) -> PriorSettings:
    """Return starting values as stored; what another program called by a name not known here is left out."""
    return PriorSettings(**{each.name: stored[each.name] for each in fields(PriorSettings) if each.name in stored})


def _checkups(report: Mapping[str, Any]) -> Iterator[CheckUp]:
    for state in (report.get("by_player") or {}).get("overall", ()):
        scores = {score["method"]: score for score in state["scores"]}
        model, tier = scores["model"], scores["tier mean"]
        error, tier_mean = _figure(model["rmse"]), _figure(tier["rmse"])
        held: Mapping[str, Any] = next((interval for interval in model["inside"] if interval["level"] == 0.9), {})
        if error is not None and tier_mean is not None:
            yield CheckUp(
                told=int(state["told"]),
                error=error,
                tier_mean=tier_mean,
                coverage=_figure(held["share"]) if held else None,
                promised=float(held.get("told", 0.9)),
                regret=_figure(model["regret"]),
                ratings=int(state["ratings"]),
                players=int(state["players"]),
            )


def _won(report: Mapping[str, Any]) -> Iterator[Won]:
    for win in report.get("wins", ()):
        better = _figure(win["better"])
        if better is not None and win["differing"] >= FEWEST_DIFFERING:
            yield Won(str(win["rule"]), int(win["bows"]), better, int(win["differing"]))


def _figure(stored: Mapping[str, float | None]) -> Figure | None:
    """Return a stored estimate; None where its mean could not be computed."""
    mean = stored["mean"]
    return None if mean is None else Figure(float(mean), stored["error"])

"""Fit a new version from all trials, check it, and adopt it where it is not worse than what is in use.

The fit reads in one transaction and computes in none, so that nobody waits for it; a long one is spread over processes that
let everything else go first.
"""

import datetime as dt
import gc
import os
import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from functools import partial
from multiprocessing import get_context, parent_process
from pathlib import Path
from threading import Thread
from typing import Any, ParamSpec, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session

from model.domain.records import Range, Trial
from model.evaluation import (
    Decision,
    EvaluationReport,
    ModelFactory,
    PlayerLosses,
    PromotionReason,
    TrialHistory,
    ablation,
    cross_validate,
    evaluate_fold,
    log_loss_by_player,
    make_folds,
    promote,
)
from model.features import ServiceIntervals
from model.preference import (
    ArtifactError,
    CataloguePosterior,
    FittedModel,
    PreferenceModel,
    from_bytes,
    serialization,
    to_bytes,
)
from service.core import files_coming
from service.core.database import Database
from service.core.errors import ConflictError
from service.modelling import fit_words, model_records, stored_files, versions
from service.modelling.versions import Seen, adopt, code_version
from service.tables import ModelVersion

Progress = Callable[[int, int], None]
P = ParamSpec("P")
T = TypeVar("T")

MODEL: ModelFactory = PreferenceModel
"""What is fitted."""
REFERENCE: ModelFactory = partial(PreferenceModel, tastes=False)
"""The same without each player's own tastes, for the check-up to compare with."""
ALONE_UP_TO = 400
"""Up to so many runs a fit is done before other processes have started."""
A_PROCESS, A_RUN = 400_000_000, 15_000
"""Bytes of memory that a process of a fit takes, and more for each run."""
SELDOM = 100_000
"""So many new objects are awaited before a process of a fit looks for garbage."""
YEAR = dt.timedelta(days=365)


@dataclass(frozen=True, slots=True)
class FitResult:
    """What `fit` did: the new version's id, whether it was adopted, and sentences for whoever ran it."""

    version_id: int
    adopted: bool
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _InUse:
    """The version in use: its posterior, None where it cannot be read, and what it has seen."""

    version: int
    code_version: str
    posterior: FittedModel | None
    seen: Seen | None


@dataclass(frozen=True, slots=True)
class _Read:
    """All that a fit reads: the history, and the versions that its outcome is compared with."""

    past: TrialHistory
    digest: str
    in_use: _InUse | None
    rivals: Mapping[int, FittedModel]

    @property
    def new(self) -> tuple[Trial, ...]:
        """The trials that the version in use has not seen; none where it cannot be told."""
        if self.in_use is None or self.in_use.posterior is None or self.in_use.seen is None:
            return ()
        return tuple(trial for trial in self.past.trials if self.in_use.seen.is_new(trial))


def fit(database: Database, progress: Progress | None = None) -> FitResult:
    """Fit a version from all trials, check and keep it, adopt it by `model.evaluation.promotion`; `ConflictError`: no trial, or no fit is possible."""
    with database.reading() as session:
        files_coming.wait_for(session)
        read = _read(session)
    if not read.past.trials:
        msg = "There are no trials to fit yet. Until there are, the advice rests on the starting beliefs and says so."
        raise ConflictError(msg)
    stored_files.require_room(database, serialization.stored_size(read.past.range, read.past.trials, read.past.events))
    try:
        artifact, decision, report = _computed(read, progress)
    except BrokenProcessPool as error:
        msg = "A process of the fit was ended from outside, perhaps for want of memory. The version in use stays."
        raise ConflictError(msg) from error
    except (ValueError, RuntimeError) as error:
        msg = f"The trials allow no fit: {error}. The version in use stays."
        raise ConflictError(msg) from error
    return _kept(database, read, artifact, decision, report)


# Reading


def _read(session: Session) -> _Read:
    past = TrialHistory(
        model_records.read_range(session),
        model_records.read_trials(session),
        model_records.read_events(session),
        model_records.read_outcomes(session),
        model_records.read_offers(session),
    )
    in_use = _in_use(session)
    rivals = dict(_rivals(session, past, in_use)) if in_use else {}
    return _Read(past, model_records.digest(session), in_use, rivals)


def _in_use(session: Session) -> _InUse | None:
    row = session.scalars(select(ModelVersion).where(ModelVersion.adopted)).one_or_none()
    if row is None:
        return None
    try:
        posterior = from_bytes(row.artifact)
    except ArtifactError:
        posterior = None  # the decision says so
    return _InUse(row.id, row.code_version, posterior, _seen(row))


def _seen(row: ModelVersion) -> Seen | None:
    data = row.report.get("seen")
    return Seen.from_json(data) if data else None


def _rivals(session: Session, past: TrialHistory, in_use: _InUse) -> Iterator[tuple[int, FittedModel]]:
    """Give the versions in use within the last year that have seen none of the trials which that in use has not seen."""
    if in_use.seen is None:
        return
    new = [trial for trial in past.trials if in_use.seen.is_new(trial)]
    for row in versions.used(session, dt.datetime.now(dt.UTC) - YEAR):
        seen = _seen(row)
        if row.id != in_use.version and seen is not None and all(map(seen.is_new, new)):
            try:
                yield row.id, from_bytes(row.artifact)
            except ArtifactError:  # what cannot be read can be gone back to no more, and is no rival
                continue


# Computing


def _computed(read: _Read, progress: Progress | None) -> tuple[bytes, Decision, EvaluationReport]:
    new = read.new
    made = make_folds(read.past, MODEL, REFERENCE, seed=1)
    steps = len(made) + 1 + bool(new)
    with _workers(read.past) as executor:
        candidate = executor.submit(_fitted, None)
        earlier_fit = executor.submit(_fitted, frozenset(trial.key for trial in new)) if new else None
        artifact, starts = candidate.result()
        begun = partial(MODEL, start=starts)
        found = executor.map(_evaluated, [replace(fold, past=_NOTHING, make_model=begun) for fold in made])
        report = cross_validate(
            read.past,
            MODEL,
            REFERENCE,
            (lambda done, _: progress(done, steps)) if progress else None,
            run=lambda _answer, _made: found,
        )
        decision = _decided(read, new, earlier_fit.result()[0] if earlier_fit else None)
    if progress:
        progress(steps, steps)
    return artifact, decision, report


_NOTHING = TrialHistory(Range({}, {}), ())
"""Stands in a fold for the history, which every process has."""
_history = _NOTHING


def _know(past: TrialHistory) -> None:
    """Keep the history of the fit that goes on, once a process: it is the largest thing handed over."""
    global _history  # noqa: PLW0603 - what a process is begun with
    _history = past


def _evaluated(fold: Any) -> Any:
    """Fit and foretell one fold of the history that this process has."""
    return evaluate_fold(replace(fold, past=_history))


def _fitted(without: frozenset[str] | None) -> tuple[bytes, Sequence[Any]]:
    """Return a fit to all trials, or all but some, as a file that can be handed over, and where fits to fewer begin."""
    trials = [trial for trial in _history.trials if trial.key not in without] if without else None
    found = _history.fitted(MODEL, trials)
    return to_bytes(found.posterior_), found.starts_


def _decided(read: _Read, new: Sequence[Trial], without: bytes | None) -> Decision:
    if read.in_use is None:
        return promote({}, None, unchanged=False, rivals={})
    if read.in_use.posterior is None:
        return Decision(adopt=True, why=PromotionReason.UNREADABLE)
    unchanged = read.in_use.code_version == code_version()
    if without is None:
        return promote({}, {}, unchanged, {})
    rivals = {version: _losses(read, posterior, new) for version, posterior in read.rivals.items()}
    return promote(
        _losses(read, from_bytes(without), new), _losses(read, read.in_use.posterior, new), unchanged, rivals
    )


def _losses(read: _Read, posterior: FittedModel, new: Sequence[Trial]) -> PlayerLosses:
    return log_loss_by_player(
        CataloguePosterior(posterior, read.past.range, ServiceIntervals.from_events(read.past.events)), new
    )


class _Here(Executor):
    """Computes at once, in this process."""

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Compute now; an error is raised here."""
        future: Future[T] = Future()
        future.set_result(fn(*args, **kwargs))
        return future

    def map(self, fn: Callable[..., T], *iterables: Any, **_options: Any) -> Iterator[T]:
        """Compute one after the other, each when it is asked for."""
        return map(fn, *iterables)


@contextmanager
def _workers(past: TrialHistory) -> Iterator[Executor]:
    """Give processes to compute in, as many as there are processors and memory for; for a small history this one."""
    processors = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    runs = sum(len(trial.runs) for trial in past.trials)
    number = processes(processors, runs, free_memory())
    if number == 1 or runs <= ALONE_UP_TO:
        _know(past)
        try:
            yield _Here()
        finally:
            _know(_NOTHING)
        return
    executor = ProcessPoolExecutor(
        number, mp_context=get_context(_way_to_start()), initializer=_behind_others, initargs=(past,)
    )
    try:
        yield executor
    finally:
        executor.shutdown(cancel_futures=True)


def processes(processors: int, runs: int, free: int | None) -> int:
    """Return how many processes a fit to so many runs is spread over, at least one; ``free`` bytes of memory, None: not known."""
    return processors if free is None else max(1, min(processors, free // (A_PROCESS + A_RUN * runs)))


def free_memory(root: Path = Path("/")) -> int | None:
    """Return the bytes of memory that can be had, here and within the limit of a container; None where the system does not tell."""
    try:
        lines = (root / "proc/meminfo").read_text(encoding="ascii").splitlines()
        free = min(int(line.split()[1]) * 1024 for line in lines if line.startswith("MemAvailable:"))
    except (OSError, ValueError):
        return None
    limits = root / "sys/fs/cgroup"
    try:
        most, taken = (int((limits / name).read_text(encoding="ascii")) for name in ("memory.max", "memory.current"))
    except (OSError, ValueError):  # no container, or one without a limit ("max")
        return free
    return max(0, min(free, most - taken))


def _way_to_start() -> str:
    """Return how processes start: as copies of this one where no other thread runs here, else each anew."""
    # A copy has all modules loaded, but only the thread that made it: a lock that another held stays shut in it.
    threads = Path("/proc/self/task")  # of the libraries too, which Python does not count; elsewhere it cannot be told
    return "fork" if threads.is_dir() and len(list(threads.iterdir())) == 1 else "spawn"


def _behind_others(past: TrialHistory = _NOTHING) -> None:
    """Let requests go first, leave Ctrl-C to the process that waits for the results, and end where that one does."""
    os.nice(10)
    _know(past)
    # What is here already is of use to the end, and sums leave nothing behind that only a search would find: it took a tenth
    # of a fit's time.
    gc.freeze()
    gc.set_threshold(SELDOM)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """End when the parent does: a copy holds what that one held open, which must not outlive it."""
    parent = parent_process()
    if parent is not None:
        parent.join()
    os._exit(1)


# Keeping


def _kept(database: Database, read: _Read, artifact: bytes, decision: Decision, report: EvaluationReport) -> FitResult:
    posterior, now = from_bytes(artifact), dt.datetime.now(dt.UTC)
    view = CataloguePosterior(posterior, read.past.range, ServiceIntervals.from_events(read.past.events))
    changed = ablation(view, read.past.trials, read.past.offers)
    version = ModelVersion(
        fitted_at=now,
        adopted=False,
        data_digest=read.digest,
        code_version=code_version(),
        report={
            "trials": sum(posterior.trials.values()),
            "seen": Seen.of(read.past.trials, now.date()).to_json(),
            "held_out_players": _held_out(report),
            "check_up": report.to_json(),
            "ablation": changed,
            "beliefs": asdict(MODEL(read.past.range).beliefs),
            "decision": decision.to_json(),
        },
        artifact=artifact,
    )
    with database.writing() as session:
        session.add(version)
        session.flush()
        version_id = version.id
        if decision.adopt:
            adopt(session, version_id)
        stored_files.put_away(session)
    lines = (
        *fit_words.fitted(version_id, posterior),
        *fit_words.checked(report),
        fit_words.adopted(version_id, decision),
    )
    return FitResult(version_id, decision.adopt, lines)


def _held_out(report: EvaluationReport) -> dict[str, float | int] | None:
    """Return the figures that are looked at first: players held out, the own bow's ratings told and no other."""
    if report.by_player is None or not report.by_player.overall:
        return None
    state = report.by_player.overall[0]
    by_method = {score.method: score for score in state.scores}
    found: dict[str, float | int] = {
        "rmse_model": by_method["model"].rmse.mean,
        "rmse_tier_mean": by_method["tier mean"].rmse.mean,
        "ratings": state.ratings,
        "players": state.players,
    }
    for interval in by_method["model"].inside:
        found[f"coverage_{interval.level:.0%}"[:-1]] = interval.share.mean
        found[f"width_{interval.level:.0%}"[:-1]] = interval.width
    return found

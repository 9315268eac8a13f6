"""What a monitoring program reads of the running service, in the text format of Prometheus: figures, and nothing of anybody.

Counters and histograms are of all processes of one `serve` together: each writes to a file of its own in a folder that they
share, and whichever is asked adds them up. Gauges are read from the database when they are asked for, so they are the same in
every process. Labels are route templates, statuses and words of fixed lists: no address, no id, no name.
"""

import asyncio
import datetime as dt
from collections.abc import Iterable, Iterator
from pathlib import Path

from prometheus_client import CollectorRegistry, Counter, Histogram, disable_created_metrics
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.exposition import choose_encoder
from prometheus_client.multiprocess import MultiProcessCollector
from prometheus_client.registry import Collector
from sqlalchemy import event, select
from sqlalchemy.engine import ExceptionContext
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from service.core import audit_events
from service.core.database import Database
from service.mail import outbox
from service.modelling import versions
from service.operations import health
from service.privacy import retention
from service.tables import AuditEntry, Duty

SECONDS = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0)
LAG_SECONDS = (0.001, 0.005, 0.01, 0.05, 0.1, 0.5, 1.0, 5.0)
WAIT_SECONDS = (0.001, 0.01, 0.05, 0.1, 0.25, 0.5, 1.0)
LOOK_EVERY = 1.0
"""Seconds between two looks at how late the event loop is."""


class Metrics:
    """The figures of one application; ``shared``: folder in which the processes of one `serve` count together, None: alone, in memory."""

    def __init__(self, shared: Path | None = None) -> None:
        disable_created_metrics()  # type: ignore[no-untyped-call] # a line more for each figure, which no alarm needs
        self._shared, self._own = shared, CollectorRegistry()
        self.requests = Counter(
            "bows_http_requests", "Requests answered.", ["method", "route", "status"], registry=self._own
        )
        self.seconds = Histogram(
            "bows_http_request_seconds",
            "Seconds from a request's head to the end of its answer.",
            ["method", "route"],
            buckets=SECONDS,
            registry=self._own,
        )
        self.refused = Counter(
            "bows_limit_refusals", "Requests refused because a client asks too much.", ["limit"], registry=self._own
        )
        self.database_errors = Counter(
            "bows_database_errors",
            "Errors of the database by kind; IntegrityError alone is somebody else having been quicker.",
            ["kind"],
            registry=self._own,
        )
        self.lag = Histogram(
            "bows_event_loop_lag_seconds",
            "By how much the event loop is late for what is due.",
            buckets=LAG_SECONDS,
            registry=self._own,
        )

        self.waited = Histogram(
            "bows_wait_seconds",
            "Seconds for which requests waited for a worker thread, or for their turn to write, before they got it.",
            ["place"],
            buckets=WAIT_SECONDS,
            registry=self._own,
        )
        self.turned_away = Counter(
            "bows_turned_away",
            "Requests answered 503 because they had waited too long for a thread or for their turn.",
            ["place"],
            registry=self._own,
        )

    def heard(self, place: str, seconds: float) -> None:
        """Note that a wait for a place ended, -1 for one that was given up."""
        if seconds < 0:
            self.turned_away.labels(place).inc()
        else:
            self.waited.labels(place).observe(seconds)

    def listen(self, database: Database) -> None:
        """Count the errors of a database."""

        def count(context: ExceptionContext) -> None:
            self.database_errors.labels(type(context.sqlalchemy_exception or context.original_exception).__name__).inc()

        event.listen(database.engine, "handle_error", count)

    async def watch_loop(self) -> None:
        """Measure how late the event loop is, until cancelled."""
        loop = asyncio.get_running_loop()
        while True:
            due = loop.time() + LOOK_EVERY
            await asyncio.sleep(LOOK_EVERY)
            self.lag.observe(max(loop.time() - due, 0.0))

    def told(self, database: Database, folder: Path, accept: str) -> tuple[bytes, str]:
        """Return all figures and the type of their text, the one of Prometheus' formats that ``accept`` asks for."""
        shown = CollectorRegistry()
        if self._shared is None:
            shown.register(self._own)
        else:
            MultiProcessCollector(shown, str(self._shared))  # type: ignore[no-untyped-call] # the library has no type here
        shown.register(_Stored(database, folder))
        encoder, kind = choose_encoder(accept)
        return encoder(shown), kind


class _Stored(Collector):
    """What the database and the disk say when they are asked: each part's health, the outbox, the model in use."""

    def __init__(self, database: Database, folder: Path) -> None:
        self._database, self._folder = database, folder

    def describe(self) -> Iterable[Metric]:
        """Name nothing beforehand, or registering would ask the database already."""
        return ()

    def collect(self) -> Iterator[Metric]:
        """Read it; while the database is away the health of the parts alone is told."""
        findings = list(health.findings(self._database, self._folder))
        parts = GaugeMetricFamily("bows_part_well", "1 where a part is well, as `check` tells it.", labels=["part"])
        for finding in findings:
            parts.add_metric([finding.part], float(finding.well))
        yield parts
        if all(finding.well for finding in findings if finding.part in ("database", "tables")):
            try:
                with self._database.reading() as session:
                    figures = [*_outbox(session), *_model(session), _done(session)]
            except SQLAlchemyError:
                return  # gone between the two looks; it is counted, and the next scrape tells of the part
            yield from figures


def _outbox(session: Session) -> Iterator[Metric]:
    found = outbox.health(session, dt.datetime.now(dt.UTC))
    yield GaugeMetricFamily("bows_outbox_waiting", "Mails and messages that are due and wait.", found.waiting)
    yield GaugeMetricFamily(
        "bows_outbox_oldest_seconds", "For how long the oldest of them has waited.", found.longest.total_seconds()
    )
    yield GaugeMetricFamily("bows_outbox_given_up", "Mails and messages given up in the last seven days.", found.failed)


def _model(session: Session) -> Iterator[Metric]:
    found = versions.current(session)
    yield GaugeMetricFamily(
        "bows_model_version",
        "The version of the model that speaks; 0 for the starting beliefs alone.",
        found.version or 0,
    )
    if found.fitted_at is not None:
        fitted_at = found.fitted_at.timestamp()
        yield GaugeMetricFamily("bows_model_fitted_timestamp_seconds", "When it was fitted, since 1970.", fitted_at)


def _done(session: Session) -> Metric:
    backups = select(AuditEntry.at).where(AuditEntry.dealer.is_(None), AuditEntry.did == audit_events.BACKED_UP.name)
    sweeps = select(Duty.ended_at).where(Duty.name == retention.SWEEP)
    last = {"backup": backups.order_by(AuditEntry.at.desc()).limit(1), "retention": sweeps}
    figure = GaugeMetricFamily(
        "bows_last_done_timestamp_seconds", "When the last one ended, in seconds since 1970.", labels=["work"]
    )
    for work, asked in last.items():
        ended = session.scalar(asked)
        if ended is not None:
            figure.add_metric([work], ended.timestamp())
    return figure

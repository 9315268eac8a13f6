"""Figures for a monitoring program: behind a key and of nobody. Over several processes: `tests/service/cli/test_workers.py`.

The text is read by the library's own parser of Prometheus' exposition format 0.0.4.
"""

import datetime as dt
import re
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families
from sqlalchemy import select

from model.preference import PreferenceModel
from service import tables
from service.core.workers import THREADS
from service.modelling import fits
from tests import factories
from tests.service.client import Client, serving, settings_in

TOKEN = "a-monitoring-program-may-read-this"
KEY = {"Authorization": f"Bearer {TOKEN}"}
Figures = dict[tuple[str, frozenset[tuple[str, str]]], float]


def read(text: str) -> Figures:
    """Return each figure by its name and labels."""
    samples = [sample for family in text_string_to_metric_families(text) for sample in family.samples]
    found = {(sample.name, frozenset(sample.labels.items())): sample.value for sample in samples}
    assert len(found) == len(samples)
    return found


def figures(client: Client) -> Figures:
    reply = client.get("/metrics", headers=KEY)
    assert (reply.status_code, reply.headers["content-type"].split(";")[0]) == (200, "text/plain")
    return read(reply.text)


def of(found: Figures, name: str, **labels: str) -> float:
    return found.get((name, frozenset(labels.items())), 0.0)


@pytest.fixture
def client(tmp_path: Path) -> Iterator[Client]:
    with serving(settings_in(tmp_path, metrics_token=TOKEN, advice_per_minute=3)) as client:
        yield client


def test_the_last_backup_and_the_last_erasing_are_told_once_there_was_one(client: Client) -> None:
    name = "bows_last_done_timestamp_seconds"
    assert not [each for each in figures(client) if each[0] == name]
    first, last = (dt.datetime(2026, 3, day, tzinfo=dt.UTC) for day in (2, 5))
    with client.app.state.database.writing() as session:
        session.add_all(tables.AuditEntry(at=at, did="backed_up", about="backup", detail={}) for at in (last, first))
        session.add(tables.AuditEntry(at=last + dt.timedelta(9), did="restored", about="backup", detail={}))
        session.add(tables.Duty(name="sweep", begun_at=first, ended_at=last, counts={}))
    found = figures(client)
    assert of(found, name, work="backup") == last.timestamp()
    assert of(found, name, work="retention") == last.timestamp()


def test_without_a_token_there_is_nothing(tmp_path: Path) -> None:
    with serving(settings_in(tmp_path)) as client:
        assert client.get("/metrics", headers=KEY).status_code == 404


def test_nobody_reads_them_without_the_token_nor_tries_many(client: Client) -> None:
    # RFC 6750, section 3; ASVS 5.0, 13.4.5 (monitoring endpoints are not exposed).
    keys = [{}, {"Authorization": "Bearer guessed"}, {"Authorization": f"Basic {TOKEN}"}, KEY | {"Authorization": "x"}]
    replies = [client.get("/metrics", headers=key) for key in keys]
    assert [reply.status_code for reply in replies] == [401, 401, 401, 429]
    assert all("bows_" not in reply.text for reply in replies)
    assert replies[0].headers["www-authenticate"].startswith("Bearer")
    assert client.get("/metrics", headers=KEY).status_code == 200


def test_it_answers_by_any_name_and_is_kept_by_nobody(tmp_path: Path) -> None:
    with serving(settings_in(tmp_path, metrics_token=TOKEN, public_address="https://bows.example")) as client:
        reply = client.get("/metrics", headers=KEY | {"Host": "10.0.0.7:8000"})
        assert (reply.status_code, reply.headers["cache-control"]) == (200, "no-store")
        assert client.get("/", headers={"Host": "10.0.0.7:8000"}).status_code == 421


def test_requests_are_counted_by_route_and_final_status_and_timed(client: Client) -> None:
    assert client.get("/").status_code == 200
    for _ in range(2):
        assert client.get("/form/nobodys/instrument").status_code == 404
    assert client.send("HEAD", "/form/nobodys/instrument").status_code == 404
    assert client.get("/static/style.css").status_code == 200
    assert client.get("/nowhere/ada@example.org").status_code == 404
    assert client.send("DELETE", "/healthz").status_code == 405
    assert client.send("BREW", "/healthz").status_code == 405
    assert client.get("/", headers={"Host": "strangers.example"}).status_code == 421
    found, route = figures(client), "/form/{address}/{name}"
    counted = {
        (labels["method"], labels["route"], labels["status"]): value
        for (name, pairs), value in found.items()
        if name == "bows_http_requests_total" and (labels := dict(pairs))
    }
    assert counted == {
        ("GET", "/", "200"): 1,
        ("GET", route, "404"): 2,
        ("HEAD", route, "404"): 1,
        ("GET", "/static/", "200"): 1,
        ("GET", "other", "404"): 1,
        ("DELETE", "/healthz", "405"): 1,
        ("other", "/healthz", "405"): 1,
        ("GET", "other", "421"): 1,
    }
    assert of(found, "bows_http_request_seconds_count", method="GET", route=route) == 2
    assert of(found, "bows_http_request_seconds_bucket", method="GET", route=route, le="+Inf") == 2
    assert 0 < of(found, "bows_http_request_seconds_sum", method="GET", route=route) < 60


def test_an_error_that_nobody_foresaw_counts_as_500(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.operations.health_doors.health.findings", None)
    assert Client(client.app, forgiving=True).get("/healthz").status_code == 500
    monkeypatch.undo()
    assert of(figures(client), "bows_http_requests_total", method="GET", route="/healthz", status="500") == 1


def test_whom_a_limit_refuses_is_counted_by_the_limit(client: Client) -> None:
    assert [client.advice({}).status_code for _ in range(5)] == [422, 422, 422, 429, 429]
    found = figures(client)
    assert of(found, "bows_limit_refusals_total", limit="advice") == 2
    assert of(found, "bows_limit_refusals_total", limit="sign_in") == 0


def test_what_waits_in_the_outbox_is_told_with_its_age(client: Client) -> None:
    assert of(figures(client), "bows_outbox_waiting") == 0
    long_ago = dt.datetime.now(dt.UTC) - dt.timedelta(hours=5)
    values = {"channel": "mail", "kind": "advice", "address": "ada@example.org", "language": "en", "values": {}}
    with client.database.writing() as session:
        for number in "12":
            row = {"about": f"enquiry {number}", "message_id": number, "queued_at": long_ago, "due_at": long_ago}
            session.add(tables.OutboxItem(**values, **row))
    found = figures(client)
    assert of(found, "bows_outbox_waiting") == 2
    assert 5 * 3600 <= of(found, "bows_outbox_oldest_seconds") < 6 * 3600
    assert of(found, "bows_part_well", part="outbox") == 0
    assert of(found, "bows_part_well", part="database") == 1


def test_the_model_that_speaks_is_told_with_its_moment(
    client: Client, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert of(figures(client), "bows_model_version") == 0
    assert not any(name == "bows_model_fitted_timestamp_seconds" for name, _ in figures(client))
    monkeypatch.setattr(fits, "MODEL", partial(PreferenceModel, tastes=False))
    factories.load(client.database, tmp_path / "given", factories.history(players=4, copies=5))
    fits.fit(client.database)
    found = figures(client)
    assert of(found, "bows_model_version") == 1
    with client.database.reading() as session:
        fitted_at = session.scalars(select(tables.ModelVersion.fitted_at)).one()
    assert of(found, "bows_model_fitted_timestamp_seconds") == pytest.approx(fitted_at.timestamp(), abs=1)


def test_without_a_database_the_rest_is_told_and_its_errors_are_counted(client: Client, tmp_path: Path) -> None:
    client.database.close()
    (tmp_path / "bows.db").rename(tmp_path / "elsewhere.db")
    (tmp_path / "bows.db").mkdir()
    assert client.get("/healthz").status_code == 503
    found = figures(client)
    assert of(found, "bows_part_well", part="database") == 0
    assert of(found, "bows_database_errors_total", kind="OperationalError") >= 1
    assert of(found, "bows_http_requests_total", method="GET", route="/healthz", status="503") == 1


def test_nobody_stands_in_them(client: Client) -> None:
    """Whatever is asked for: labels are words of the source, never of the address or the client."""
    secret = "ada-lovelace"
    for path in (f"/advice/{secret}", f"/form/{secret}/{secret}", f"/{secret}", f"/data/{secret}", f"/play/{secret}"):
        client.get(path, headers={"User-Agent": secret, "Referer": secret})
    assert secret not in client.get("/metrics", headers=KEY).text


def test_the_documentation_names_every_figure(client: Client) -> None:
    page = (Path(tables.__file__).parents[1] / "docs" / "metrics.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`(bows_\w+)`", page))
    client.get("/healthz")
    families = {family.name for family in text_string_to_metric_families(client.get("/metrics", headers=KEY).text)}
    assert {name.removesuffix("_total") for name in named} == {*families, "bows_model_fitted_timestamp_seconds"}


def test_waits_are_told_and_so_is_who_was_turned_away(client: Client) -> None:
    ask: tuple[str, str, dict[str, str]] = ("GET", "/", {})
    assert client.get("/").status_code == 200
    assert client.crowded(ask, ask)[1].status_code == 503
    found = figures(client)
    assert of(found, "bows_turned_away_total", place="thread") == 2
    assert of(found, "bows_wait_seconds_count", place="thread") == 1 + THREADS

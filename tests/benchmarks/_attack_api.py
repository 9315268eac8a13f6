"""Requests drawn from the API's own description, one by one and in chains from advice to outcome, on SQLite and PostgreSQL."""

import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode
from schemathesis.core.transport import Response
from sqlalchemy import select

from service import tables
from service.core.database import Database
from service.settings import default_database_url
from service.web.api_operations import OPERATIONS
from tests.postgres import Server
from tests.service import described
from tests.service.client import settings_in
from tests.service.described import World
from tests.service.trial_cast import SHOP

EXAMPLES, CHAINS, STEPS = 200, 100, 12
SEED = 20_261_130
BOWS = 400
"""Copies of each tier: every chain that reaches a trial sets some aside."""


def run() -> Iterator[str]:
    """Yield, for either database, how many requests were sent, how they were answered, and every answer that is not as described."""
    with tempfile.TemporaryDirectory() as folder:
        yield from _attack("SQLite", Path(folder), default_database_url(Path(folder)).render_as_string())
    with tempfile.TemporaryDirectory() as folder, Server.started() as server:
        yield from _attack("PostgreSQL", Path(folder), server.url("postgres"))


def _attack(kind: str, folder: Path, url: str) -> Iterator[str]:
    free = {"database_url": url, "advice_per_minute": 0, "cost_per_minute": 0}
    with described.world(settings_in(folder, **free)) as world:
        _stock(world.app.state.database)
        for how, attack in (("one by one", _one_by_one), ("in chains", _in_chains)):
            began = time.perf_counter()
            with _judged(world) as (answers, wrong):
                attack(world)
            seconds = time.perf_counter() - began
            yield f"{kind}, {how}: {answers.total()} requests in {seconds:.0f} s, {len(wrong)} answers not as described"
            yield from (
                f"  {name}: {_told(answers, name)}" for name, _tag in OPERATIONS.values() if _told(answers, name)
            )
            yield from (f"  WRONG {each}" for each in wrong[:20])


def _stock(database: Database) -> None:
    with database.writing() as session:
        for tier in session.scalars(select(tables.Tier).where(tables.Tier.slug != "linnet")):
            for number in range(BOWS):
                serial = f"{tier.slug}-{number}"
                session.add(tables.Copy(serial=serial, tier=tier.slug, hold="german", dealer=SHOP, status="in_stock"))


@contextmanager
def _judged(world: World) -> Iterator[tuple[Counter[tuple[str, int]], list[str]]]:
    """Give how often each operation was answered by each status meanwhile, and what was wrong with answers."""
    answers: Counter[tuple[str, int]] = Counter()
    wrong: list[str] = []
    judge = world.judge

    def counted(case: Any, who: str, reply: Any = None) -> list[str]:
        reply = world.send(case, who) if reply is None else reply
        name, _tag = OPERATIONS[case.operation.method.lower(), case.operation.path]
        answers[name, reply.status_code] += 1
        wrong.extend(judge(case, who, reply))
        return []

    world.judge = counted  # type: ignore[method-assign] # the attack goes on where a test would end
    try:
        yield answers, wrong
    finally:
        del world.judge


def _told(answers: Counter[tuple[str, int]], name: str) -> str:
    found = sorted((status, count) for (of, status), count in answers.items() if of == name)
    return ", ".join(f"{count} × {status}" for status, count in found)


def _settings(**more: Any) -> settings:
    return settings(
        database=None, deadline=None, phases=(Phase.generate,), suppress_health_check=list(HealthCheck), **more
    )


def _one_by_one(world: World) -> None:
    for method, path in OPERATIONS:
        wrong_too = "{run_id}" in path or method == "post"
        modes = (GenerationMode.POSITIVE, GenerationMode.NEGATIVE) if wrong_too else (GenerationMode.POSITIVE,)
        for mode in modes:
            _drawn(world, method.upper(), path, mode, EXAMPLES // len(modes))


def _drawn(world: World, method: str, path: str, mode: GenerationMode, examples: int) -> None:
    @seed(SEED)
    @_settings(max_examples=examples)
    @given(st.data())
    def ask(data: st.DataObject) -> None:
        case, who = data.draw(described.requests(world, method, path, mode))
        world.judge(case, who)

    ask()


def _in_chains(world: World) -> None:
    """Follow the description's links, as a dealer's server would: each answer's ids go into the next request."""

    class Chain(world.described.as_state_machine()):  # type: ignore[misc] # made anew for each description
        def call(self, case: Any, **_given: Any) -> Response:
            self.reply = world.send(case, "server")
            return Response.from_httpx(self.reply, verify=True)

        def validate_response(self, response: Any, case: Any, additional_checks: Any = None, **_given: Any) -> None:
            del response, additional_checks
            world.judge(case, "server", self.reply)

    seed(SEED)(Chain)
    Chain.run(settings=_settings(max_examples=CHAINS, stateful_step_count=STEPS))

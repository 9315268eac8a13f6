"""What a request costs the server in CPU time: advice, form, sheets, the desk, each beside an empty FastAPI POST and its goal."""

import argparse
import uuid
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import count, cycle, islice

import numpy as np

from service.modelling import fits
from service.questionnaire.forms import STEPS
from tests.benchmarks import _goals, _shop
from tests.benchmarks._demo import Demo, demo_settings, opened, read_demo
from tests.benchmarks._figures import table
from tests.benchmarks._server import Reader, Server, body_of, running
from tests.postgres import Server as Postgres

ROUNDS, REQUESTS = 7, 40
LIGHT = 10
"""So many times as many requests of the empty POST, which costs little, so that its figure is as steady."""
READERS, TRIALS = 8, 3
EMPTY = "empty FastAPI POST, same body"
OWN_BOW, WISHES = "own-bow", "wishes"


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of request, by its name among `_goals.REQUESTS` where it has a goal: the server it goes to, calls to be made in turn."""

    name: str
    server: Server
    calls: Sequence[Callable[[], object]]
    times: int = 1


def main(argv: Sequence[str]) -> int:
    """Serve the demo data and an empty application, ask both in turn, and print what it cost."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks serve", description=__doc__)
    parser.add_argument("--rounds", type=int, default=ROUNDS, metavar="N", help=f"rounds (default: {ROUNDS})")
    parser.add_argument("--database", choices=("sqlite", "postgresql"), action="append", help="default: both")
    asked = parser.parse_args(argv)
    print("python -m tests.benchmarks serve")
    print(
        f"\nDemo data, one uvicorn process each (uvloop, httptools); {asked.rounds} rounds of {REQUESTS} requests of a kind"
    )
    print(
        f"in turn ({LIGHT * REQUESTS} of the empty POST), after one that is not counted. CPU time of the server process a"
    )
    print(
        "request: median, least and most of the rounds; ratio = median over the rounds of the ratio to the empty POST of that"
    )
    print("round.")
    found: dict[str, dict[str, tuple[float, float]]] = {}
    for name in asked.database or ("sqlite", "postgresql"):
        with ExitStack() as open_:
            url = open_.enter_context(Postgres.started()).url("postgres") if name == "postgresql" else None
            spent = _measured(url, asked.rounds)
        print(f"\n{table((f'{name}: CPU time, ms a request', *HEAD), _rows(spent))}")
        found[NAMES[name]] = _of_goals(spent)
    told = {f"{name}: {kind}": ratio for name, of in found.items() for kind, (ratio, _took) in of.items()}
    if len(found) > 1:
        here, there = (found[name] for name in ("SQLite", "PostgreSQL"))
        told[_goals.DEARER] = max(there[kind][1] / took for kind, (_ratio, took) in here.items())
    print()
    _goals.tell("serve", told)
    return 0


HEAD = ("median", "least", "most", "ratio")
NAMES = {"sqlite": "SQLite", "postgresql": "PostgreSQL"}


def _of_goals(spent: Mapping[str, Sequence[float]]) -> dict[str, tuple[float, float]]:
    """Return the ratio to the empty POST and the median of each kind that has a goal."""
    return {kind: (_ratio(spent, kind), float(np.median(spent[kind]))) for kind in _goals.REQUESTS}


def _ratio(spent: Mapping[str, Sequence[float]], kind: str) -> float:
    return float(np.median(np.array(spent[kind]) / np.array(spent[EMPTY])))


def _measured(url: str | None, rounds: int) -> dict[str, list[float]]:
    with demo_settings(url=url) as settings:
        with opened(settings) as database:
            fits.fit(database)
            demo = read_demo(database)
            dealer, bodies = _dealer(demo)
            shop = _shop.at_work(database, dealer, bodies)
        with running("empty", settings) as nothing, running("service", settings) as service:
            asked = [*kinds(demo, nothing, service), *desk_kinds(service, shop, bodies)]
            return measure(asked, rounds)


def _dealer(demo: Demo) -> tuple[str, list[dict[str, object]]]:
    """Return the dealer with the most trials, and what players of its first trials asked, each of another instrument."""
    dealer, _trials = Counter(demo.purses[trial.key].dealer for trial in demo.trials).most_common(1)[0]
    there = [trial for trial in demo.trials if demo.purses[trial.key].dealer == dealer]
    firsts = {trial.answers.instrument: trial for trial in reversed(there)}
    return dealer, [body_of(trial, demo.purses[trial.key], dealer=True) for trial in list(firsts.values())[:TRIALS]]


def kinds(demo: Demo, nothing: Server, service: Server) -> Iterator[Kind]:
    """Give every kind of request of a player, the empty one first; the form's and the result's addresses are made by filling in."""
    asked = [(trial, demo.purses[trial.key]) for trial in demo.trials[:: len(demo.trials) // REQUESTS]]
    at_dealers = [body_of(trial, purse, dealer=True) for trial, purse in asked]
    anywhere = [body_of(trial, purse, dealer=False) for trial, purse in asked]
    empty = [_call(nothing, 200, "POST", "/", json=body) for body in at_dealers]
    yield Kind(EMPTY, nothing, empty, times=LIGHT)
    for name, bodies in (("at a dealer", at_dealers), ("of the whole range", anywhere)):
        calls = [_call(service, 200, "POST", "/api/v1/advice", json=body) for body in bodies]
        yield Kind(f"advice {name}", service, calls)
    yield Kind("GET / (start page)", service, [_call(service, 200, "GET", "/")])
    readers = [Reader(service, body) for body in at_dealers[:READERS]]
    for reader in readers:
        for step in STEPS[:3]:
            reader.answer(step.name)
    pages = [_call(service, 200, "GET", f"{reader.address}/{OWN_BOW}") for reader in readers]
    yield Kind("the form's own-bow page", service, pages)
    posts = [
        _call(service, 303, "POST", f"{reader.address}/{WISHES}", data=reader.fields(WISHES)) for reader in readers
    ]
    yield Kind("a step of the form", service, posts)
    results = [_call(service, 200, "GET", Reader(service, body).finish()) for body in at_dealers[:READERS]]
    yield Kind("the result page", service, results)


def desk_kinds(service: Server, shop: _shop.Shop, bodies: Sequence[dict[str, object]]) -> Iterator[Kind]:
    """Give the kinds of request of a shop at work; each sheet is a change of the one before at its place."""
    revision = count(1)
    runs = [(place, str(uuid.uuid4())) for place in shop.free]
    stored = [lambda place=place, run=run: _rate(service, shop, place, run, next(revision)) for place, run in runs]
    yield Kind("a sheet", service, stored)

    def of_trials(path: str, headers: object) -> list[Callable[[], object]]:
        return [_call(service, 200, "GET", path.format(trial), headers=headers) for trial in shop.trials]

    yield Kind("a trial's standing", service, of_trials("/api/v1/trials/{}/standing", shop.server))
    enquired = [service.send(200, "POST", "/api/v1/advice", json=body).json()["id"] for body in bodies]
    pages = [_call(service, 200, "GET", f"/desk/compose?enquiry={each}", headers=shop.desk) for each in enquired]
    yield Kind("composing", service, pages)
    yield Kind("a trial's page", service, of_trials("/desk/trials/{}", shop.desk))
    for path in ("/desk", "/desk/stock"):
        yield Kind(path, service, [_call(service, 200, "GET", path, headers=shop.desk)])


def _call(server: Server, expected: int, method: str, path: str, **request: object) -> Callable[[], object]:
    return lambda: server.send(expected, method, path, **request)


def _rate(service: Server, shop: _shop.Shop, place: _shop.Place, run: str, revision: int) -> object:
    path = f"/api/v1/trials/{place.trial}/runs/{run}"
    rated = _shop.sheet(revision, place.position, place.letter)
    return service.send(200, "PUT", path, json=rated, headers=shop.tablet)


def measure(asked: Sequence[Kind], rounds: int) -> dict[str, list[float]]:
    """Return the CPU time of a request in milliseconds, by kind and round."""
    spent: dict[str, list[float]] = {kind.name: [] for kind in asked}
    for number in range(rounds + 1):
        for kind in asked:
            took = _one(kind)
            if number:
                spent[kind.name].append(took)
    return spent


def _one(kind: Kind) -> float:
    calls = list(islice(cycle(kind.calls), REQUESTS * kind.times))
    before = kind.server.cpu()
    for call in calls:
        call()
    return (kind.server.cpu() - before) / len(calls)


def _rows(spent: Mapping[str, Sequence[float]]) -> Iterator[tuple[str, ...]]:
    for name, took in spent.items():
        yield name, f"{np.median(took):.3f}", f"{min(took):.3f}", f"{max(took):.3f}", f"{_ratio(spent, name):.1f}"

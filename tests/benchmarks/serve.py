"""What a request costs the server in CPU time: the API, the form's pages, the result, each beside an empty FastAPI POST."""

import argparse
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import cycle, islice

import numpy as np

from service.modelling import fits
from service.questionnaire.forms import STEPS
from tests.benchmarks._demo import Demo, demo_settings, opened, read_demo
from tests.benchmarks._figures import table
from tests.benchmarks._server import Reader, Server, body_of, running

ROUNDS, REQUESTS = 7, 40
LIGHT = 10
"""So many times as many requests of the empty POST, which costs little, so that its figure is as steady."""
READERS = 8
OWN_BOW, WISHES = "own-bow", "wishes"


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of request: the server it goes to, and calls to be made in turn."""

    name: str
    server: Server
    calls: Sequence[Callable[[], object]]
    times: int = 1


def main(argv: Sequence[str]) -> int:
    """Serve the demo data and an empty application, ask both in turn, and print what it cost."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks serve", description=__doc__)
    parser.add_argument("--rounds", type=int, default=ROUNDS, metavar="N", help=f"rounds (default: {ROUNDS})")
    rounds = parser.parse_args(argv).rounds
    with demo_settings() as settings:
        with opened(settings) as database:
            fits.fit(database)
            demo = read_demo(database)
        with running("empty", settings) as nothing, running("service", settings) as service:
            spent = measure(list(kinds(demo, nothing, service)), rounds)
    print("python -m tests.benchmarks serve")
    print(
        f"\nDemo data, one uvicorn process each (uvloop, httptools); {rounds} rounds of {REQUESTS} requests of a kind in turn"
    )
    print(
        f"({LIGHT * REQUESTS} of the empty POST), after one that is not counted. CPU time of the server process a request:"
    )
    print(
        "median, least and most of the rounds; ratio = median over the rounds of the ratio to the empty POST of that round.\n"
    )
    print(table(("CPU time, ms a request", "median", "least", "most", "ratio"), _rows(spent)))
    return 0


def kinds(demo: Demo, nothing: Server, service: Server) -> Iterator[Kind]:
    """Give every kind of request, the empty one first; the form's and the result's addresses are made by filling in."""
    asked = [(trial, demo.purses[trial.key]) for trial in demo.trials[:: len(demo.trials) // REQUESTS]]
    at_dealers = [body_of(trial, purse, dealer=True) for trial, purse in asked]
    anywhere = [body_of(trial, purse, dealer=False) for trial, purse in asked]
    yield Kind(
        "empty FastAPI POST, same body",
        nothing,
        [_call(nothing, 200, "POST", "/", json=body) for body in at_dealers],
        LIGHT,
    )
    for name, bodies in (("at a dealer (stock known)", at_dealers), ("the whole range", anywhere)):
        path = "/api/v1/advice"
        yield Kind(f"POST {path}, {name}", service, [_call(service, 200, "POST", path, json=body) for body in bodies])
    yield Kind("GET / (start page)", service, [_call(service, 200, "GET", "/")])
    readers = [Reader(service, body) for body in at_dealers[:READERS]]
    for reader in readers:
        for step in STEPS[:3]:
            reader.answer(step.name)
    pages = [_call(service, 200, "GET", f"{reader.address}/{OWN_BOW}") for reader in readers]
    yield Kind("GET the form's own-bow page", service, pages)
    posts = [
        _call(service, 303, "POST", f"{reader.address}/{WISHES}", data=reader.fields(WISHES)) for reader in readers
    ]
    yield Kind("POST a step of the form", service, posts)
    results = [_call(service, 200, "GET", Reader(service, body).finish()) for body in at_dealers[:READERS]]
    yield Kind("GET the result page", service, results)


def _call(server: Server, expected: int, method: str, path: str, **request: object) -> Callable[[], object]:
    return lambda: server.send(expected, method, path, **request)


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


def _rows(spent: dict[str, list[float]]) -> Iterator[tuple[str, ...]]:
    empty = np.array(next(iter(spent.values())))
    for name, took in spent.items():
        ratio = float(np.median(np.array(took) / empty))
        yield name, f"{np.median(took):.3f}", f"{min(took):.3f}", f"{max(took):.3f}", f"{ratio:.1f}"

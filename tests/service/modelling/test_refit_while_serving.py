"""A refit beside a service of several processes: no request fails or waits for it, and every process sees the switch."""

import os
import subprocess
import sys
import threading
import time
from collections import Counter
from pathlib import Path
from typing import Self

import httpx
import pytest

from service import cli
from tests import factories
from tests.service.cli.test_serving import ROOT, filled, started

__all__ = ["filled"]

PAUSE_SECONDS = 0.03
WARM = 10
"""So many answers, and every process has loaded what it needs."""


class Asking:
    """Asks one question after the other, each on a connection of its own so that every process gets some."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.status: Counter[int] = Counter()
        self.versions: list[int | None] = []
        self.longest = 0.0
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._ask)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def _ask(self) -> None:
        while not self._over.wait(PAUSE_SECONDS):
            self.once()

    def once(self) -> int | None:
        """Ask once and return the version that answered."""
        began = time.monotonic()
        reply = httpx.post(f"{self.address}api/v1/advice", json={"instrument": "violin"}, timeout=30)
        self.longest = max(self.longest, time.monotonic() - began)
        self.status[reply.status_code] += 1
        version = reply.json().get("model", {}).get("version")
        self.versions.append(version)
        return None if version is None else int(version)


def fitted(folder: Path) -> subprocess.CompletedProcess[str]:
    """Fit in a process of its own, as an operator or a timer does."""
    command = [sys.executable, "-W", "error", "-m", "service", "fit"]
    environ = os.environ | {"DATA_DIR": str(folder)}
    return subprocess.run(command, cwd=ROOT, env=environ, capture_output=True, text=True, check=False)


def test_no_request_fails_or_waits_and_every_process_sees_the_switch(
    filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ADVICE_PER_MINUTE", "0")
    monkeypatch.setenv("COST_PER_MINUTE", "0")
    more = factories.write(tmp_path / "more", factories.history(players=12, copies=4))
    assert cli.main(["load", str(more), "--replace"], {"DATA_DIR": str(filled)}) == 0
    assert cli.main(["fit"], {"DATA_DIR": str(filled)}) == 0
    with started(filled, "serve", "--workers", "2") as (_, address), Asking(address) as asking:
        while len(asking.versions) < WARM:
            time.sleep(0.01)
        asking.longest, began = 0.0, time.monotonic()
        done = fitted(filled)
        took = time.monotonic() - began
        assert done.returncode == 0, done.stderr
        assert "Adopted." in done.stdout
        after = [asking.once() for _ in range(20)]
    assert asking.status == {200: len(asking.versions)}
    assert len(asking.versions) > 2 * WARM + len(after), "questions were asked while the fit ran"
    assert set(asking.versions) == {1, 2}
    assert after == [2] * 20
    assert asking.longest < took / 2, "a request that waited for the fit would have taken about as long"

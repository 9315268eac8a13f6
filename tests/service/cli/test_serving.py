"""``serve`` and ``demo``: real processes that answer, and plain words where they cannot start."""

import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from service import cli
from service.cli import serving
from tests import factories

ROOT = Path(__file__).resolve().parents[3]


@contextmanager
def started(folder: Path, *arguments: str, level: str = "warning") -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Run a command that serves, on a free port; give the process and the address that it prints."""
    command = [sys.executable, "-W", "error", "-m", "service", *arguments, "--port", "0"]
    environ = os.environ | {"DATA_DIR": str(folder), "LOG_LEVEL": level}
    with subprocess.Popen(
        command, cwd=ROOT, env=environ, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as process:
        assert process.stdout is not None
        said = []
        try:
            for line in process.stdout:
                said.append(line)
                if found := re.search(r"http://\S+", line):
                    yield process, found[0]
                    break
            else:
                pytest.fail("".join(said))
        finally:
            process.send_signal(signal.SIGINT)
            try:
                process.wait(60)
            finally:
                process.kill()


@pytest.fixture
def filled(tmp_path: Path) -> Path:
    """A data folder with a small range."""
    given = factories.write(tmp_path / "given", factories.history())
    for arguments in (["migrate"], ["load", str(given)]):
        assert cli.main(arguments, {"DATA_DIR": str(tmp_path / "var")}) == 0
    return tmp_path / "var"


@pytest.mark.process
def test_serve_answers_while_a_backup_is_taken_and_a_restore_refused_until_ctrl_c(
    filled: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Several processes: `test_workers.py`.
    environ = {"DATA_DIR": str(filled)}
    with started(filled, "serve") as (process, address):
        reply = httpx.post(f"{address}api/v1/advice", json={"instrument": "violin"}, timeout=30)
        assert reply.status_code == 200
        assert httpx.get(address, timeout=30, follow_redirects=True).status_code == 200
        assert cli.main(["backup", str(filled / "b")], environ) == 0
        assert cli.main(["restore", str(filled / "b"), "--force"], environ) == 1
        assert "is in use; stop the service" in capsys.readouterr().err
    assert process.returncode in (0, 130)
    assert cli.main(["restore", str(filled / "b"), "--force"], environ) == 0


def test_a_port_in_use_is_told_in_one_line(filled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = str(other.getsockname()[1])
        for name in ("serve", "demo"):
            assert cli.main([name, "--port", port], {"DATA_DIR": str(filled)}) == 1
            (line,) = capsys.readouterr().err.splitlines()
            assert line.startswith(f"Cannot listen on 127.0.0.1 port {port}: Address already in use. Choose another")


def test_an_address_that_is_none_is_told_in_one_line(filled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["serve", "--host", "192.0.2.1"], {"DATA_DIR": str(filled)}) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("Cannot listen on 192.0.2.1 port 8000")


def test_demo_refuses_a_folder_with_a_database_that_it_did_not_make(
    filled: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = (filled / "bows.db").read_bytes()
    assert cli.main(["demo", "--port", "0", "--data", str(filled)], {}) == 1
    assert "was not made by demo" in capsys.readouterr().err
    assert (filled / "bows.db").read_bytes() == before


def test_demo_makes_its_own_folder_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The whole way but for the data, which is small here, and the serving itself, which returns at once."""
    monkeypatch.setattr(serving, "SEED_DATA", factories.write(tmp_path / "seed", factories.history()))
    monkeypatch.setattr(serving, "_served", lambda *_: 0)
    for _ in range(2):
        assert cli.main(["demo", "--port", "0", "--data", str(tmp_path / "demo")], {}) == 0
        out = capsys.readouterr().out
        assert re.search(r"^The form: http://127\.0\.0\.1:\d+/$", out, re.MULTILINE)
        assert f"The data is invented. It lies in {tmp_path}/demo." in out
    (line,) = (line for line in out.splitlines() if line.startswith("Version"))
    assert line.startswith("Version 1: fitted to 3 trials")


def test_an_address_for_every_machine_is_shown_as_one_that_works_here() -> None:
    with socket.socket() as listening:
        listening.bind(("0.0.0.0", 0))
        assert serving.address(listening) == f"http://127.0.0.1:{listening.getsockname()[1]}/"

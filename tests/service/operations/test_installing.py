"""The pages for the operator: each command in them is run, as far as it is ours to run, and the files they name hold together.

What changes the machine itself (`apt-get`, `adduser`, `systemctl`, packages) is only heard: `python -m tests.benchmarks install`
runs the page whole in a fresh Debian.
"""

import json
import os
import re
import shlex
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from service import settings
from service.cli import command_line
from service.operations.help import topics
from tests.postgres import Server, program

ROOT = Path(__file__).resolve().parents[3]
DEPLOY = ROOT / "service" / "deploy"
PAGES = ("install", "upgrade", "backup", "machines", "trouble")
HEARD = ("apt-get", "adduser", "systemctl", "curl")
NAME = "bows.example"


def blocks(name: str) -> list[str]:
    """Return the commands of a page, block by block, for a machine without containers."""
    text = topics.find(name).text.split("## In containers")[0]
    return re.findall(r"```sh\n(.*?)```", text, re.DOTALL)


def told(text: str) -> list[str]:
    """Return the commands of ours that a text names, in blocks and in sentences."""
    return re.findall(r"(?:^|`)bows ([^`\n]+)", text, re.MULTILINE)


@pytest.mark.parametrize("name", PAGES)
def test_every_command_that_a_page_names_is_one(name: str) -> None:
    for command in told(topics.find(name).text):
        words = shlex.split(command)
        command_line.parser(words[0]).parse_args(words)  # ends the test where it is none


def test_the_template_holds_every_setting() -> None:
    assert (DEPLOY / "environment.template").read_text(encoding="utf-8") == settings.template(), (
        "see DEVELOPERS.md, 'A setting'"
    )


@pytest.mark.parametrize("unit", sorted(DEPLOY.glob("*.service")), ids=lambda unit: unit.name)
def test_what_a_unit_runs_is_a_command_and_nobody_else_may_look(unit: Path) -> None:
    text = unit.read_text(encoding="utf-8")
    for command in re.findall(r"python -m service (.+?)(?:'|$)", text, re.MULTILINE):
        words = shlex.split(re.sub(r"\$\$\(.*?\)", "today", command))
        command_line.parser(words[0]).parse_args(words)
    assert {"User=bows", "NoNewPrivileges=true", "ProtectSystem=strict", "UMask=0077"} <= set(text.splitlines())


def test_the_dashboard_asks_for_figures_that_there_are() -> None:
    dashboard = json.loads((DEPLOY / "dashboard.json").read_text(encoding="utf-8"))
    asked = {
        name
        for each in dashboard["panels"]
        for target in each["targets"]
        for name in re.findall(r"bows_\w+", target["expr"])
    }
    page = topics.find("metrics").text
    written = set(re.findall(r"^\| `(bows_\w+)`", page, re.MULTILINE))
    assert {re.sub(r"_bucket$", "", name) for name in asked} == written
    assert len({panel["id"] for panel in dashboard["panels"]}) == len(dashboard["panels"])


@pytest.mark.process
def test_the_pages_bring_the_service_up_upgrade_it_and_bring_a_backup_back(
    tmp_path: Path, postgres_server: Server
) -> None:
    shell = Sandbox(tmp_path, postgres_server)
    for page in ("install", "backup", "upgrade"):
        for block in blocks(page):
            shell.run(block)
    assert "https://bows.example/desk/password/" in shell.said  # the link for the first owner
    assert f"curl --fail --silent --show-error https://{NAME}/health/ready" in shell.heard
    assert "systemctl enable --now bows.service bows-backup.timer bows-fit.timer" in shell.heard
    environment = shell.root / "etc/bow-trial/environment"
    assert stat.S_IMODE(environment.stat().st_mode) == 0o640  # passwords may stand in it
    assert shell.said.count("database: reached, at this version") == 3
    assert not list(shell.root.rglob("bows.db"))  # it lies with PostgreSQL


class Sandbox:
    """A folder that stands for the machine's own, and stand-ins for the programs that would change the machine."""

    def __init__(self, folder: Path, server: Server) -> None:
        self.root, self._server, self.said = folder / "root", server, ""
        self._bin, self._heard = folder / "bin", folder / "heard"
        for each in ("etc/systemd/system", "etc/caddy", "opt", "root", "usr/local/sbin", "var/lib/bows/backups"):
            (self.root / each).mkdir(parents=True)
        (self.root / "opt/bow-trial").mkdir()
        for each in ("service", "model", "templates", ".ci"):
            (self.root / "opt/bow-trial" / each).symlink_to(ROOT / each)
        self._bin.mkdir()
        hear = f'echo "$(basename "$0") $*" >> {self._heard}\n'
        for name in HEARD:
            self._stand_in(self._bin / name, hear)
        self._stand_in(self._bin / "runuser", 'export PGUSER="${1#--user=}"\nshift 2\nexec "$@"\n')  # --user=NAME --
        self._stand_in(
            self._bin / "install",
            'for each do shift; case $each in --group=*) ;; *) set -- "$@" "$each" ;; esac; done\nexec /usr/bin/install "$@"\n',
        )
        python = f'case "$2" in pip|compileall) {hear};; venv) mkdir -p .venv/bin; cp "$0" .venv/bin/python;; *) exec {sys.executable} "$@";; esac\n'
        self._stand_in(self._bin / "python3", python)

    @property
    def heard(self) -> list[str]:
        """The commands that would have changed the machine, in order."""
        return self._heard.read_text(encoding="utf-8").splitlines()

    def run(self, block: str) -> None:
        """Run the commands of a block, each of which must succeed."""
        here = re.sub(r"(?<![\w.])/(etc|opt|root|usr/local|var)/", rf"{self.root}/\1/", block)
        here = here.replace("host=/run/postgresql", f"host=127.0.0.1&port={self._server.port}")
        wrapper = self.root / "usr/local/sbin/bows"
        environ = {
            "PATH": f"{self._bin}:{wrapper.parent}:{program('createdb').parent}:{os.environ['PATH']}",
            "PUBLIC_NAME": NAME,
            "BOWS_ENVIRONMENT": str(self.root / "etc/bow-trial/environment"),
            "PYTHONPYCACHEPREFIX": os.environ.get("PYTHONPYCACHEPREFIX", ""),
            "PGHOST": "127.0.0.1",
            "PGPORT": str(self._server.port),
        }
        done = subprocess.run(
            ["sh", "-eu", "-c", f"cd {self.root}/opt/bow-trial\n{here}"],
            env=environ,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, f"{here}\n{done.stdout}{done.stderr}"
        self.said += done.stdout
        if wrapper.exists():  # the folder stands for the machine's within it as well
            wrapper.write_text(
                wrapper.read_text(encoding="utf-8").replace("cd /opt", f"cd {self.root}/opt"), encoding="utf-8"
            )

    @staticmethod
    def _stand_in(file: Path, script: str) -> None:
        file.write_text(f"#!/bin/sh\n{script}", encoding="utf-8")
        file.chmod(0o755)

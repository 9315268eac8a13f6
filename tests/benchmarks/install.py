"""The page 'Install' followed in a fresh Debian, block by block, up to an answer behind https.

Needs root, `debootstrap` and Debian's packages. The system is a folder that this one's kernel runs (chroot): it has no init, so
a stand-in for `systemctl` starts what a unit says, as its user and under its environment; hardening and timers are not tried.
The name is `localhost`, for which the proxy signs a certificate itself.
"""

import argparse
import os
import re
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from service.operations.help import topics

ROOT = Path(__file__).resolve().parents[2]
SYSTEMCTL = """#!/bin/sh
start() {
  unit=/etc/systemd/system/$1; [ -f "$unit" ] || unit=/lib/systemd/system/$1
  line() { sed -n "s/^$1=//p" "$unit"; }
  user=$(line User); run=$(line ExecStart); file=$(line EnvironmentFile); folder=$(line WorkingDirectory)
  caps=$(line AmbientCapabilities | sed 's/CAP_//g' | tr 'A-Z ' 'a-z,')
  set -a; [ -z "$file" ] || . "$file"
  for more in /etc/systemd/system/$1.d/*.conf; do [ ! -f "$more" ] || eval "$(sed -n 's/^Environment=//p' "$more")"; done
  set +a
  cd "${folder:-/}"; HOME=$(getent passwd "$user" | cut -d: -f6); export HOME
  setsid setpriv --reuid="$user" --regid="$user" --init-groups ${caps:+--inh-caps=+$caps --ambient-caps=+$caps} $run \\
    > "/var/log/$1.log" 2>&1 < /dev/null &
}
case "$1" in
  enable) shift 2; for unit; do case $unit in *.service) start "$unit" ;; esac; done ;;
  restart) start "$2" ;;
esac
"""
TRUSTED = "/var/lib/caddy/.local/share/caddy/pki/authorities/local/root.crt"
"""The certificate by which the proxy signs for `localhost`."""


def main(argv: Sequence[str]) -> int:
    """Follow the page and print each block with the seconds it took, and what its commands said."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks install", description=__doc__)
    parser.add_argument("--suite", default="bookworm", help="Debian's release (default: bookworm)")
    asked = parser.parse_args(argv)
    with tempfile.TemporaryDirectory(prefix="bows-debian-") as folder, _debian(Path(folder), asked.suite) as system:
        for number, block in enumerate(_blocks(), 1):
            begun = time.monotonic()
            done = _run(system, block)
            print(
                f"-- block {number}: {time.monotonic() - begun:.0f} s, exit status {done.returncode}\n{block}{done.stdout}"
            )
            if done.returncode:
                return 1
    return 0


def _blocks() -> list[str]:
    text = topics.find("install").text.split("## In containers")[0]
    found = re.findall(r"```sh\n(.*?)```", text, re.DOTALL)
    found[1] += "pg_ctlcluster $(ls /etc/postgresql) main start\n"  # what installing it does where there is an init
    found[-1] = f"export CURL_CA_BUNDLE={TRUSTED}\nsleep 15\n{found[-1]}"
    return found


@contextmanager
def _debian(system: Path, suite: str) -> Iterator[Path]:
    """Give a fresh Debian with this repository at its place; what runs in it is ended at the end."""
    system.chmod(0o755)  # others than root live in it
    subprocess.run(["debootstrap", "--variant=minbase", suite, system], check=True, stdout=subprocess.DEVNULL)
    (system / "opt/bow-trial").mkdir()
    tree = subprocess.run(["git", "archive", "HEAD"], cwd=ROOT, check=True, capture_output=True).stdout
    subprocess.run(["tar", "-x", "-C", system / "opt/bow-trial"], input=tree, check=True)
    (system / "etc/resolv.conf").write_bytes(Path("/etc/resolv.conf").read_bytes())
    for name in ("proc", "dev", "sys"):
        subprocess.run(["mount", "--rbind", "--make-rslave", f"/{name}", system / name], check=True)
    stand_in = system / "usr/local/bin/systemctl"
    stand_in.write_text(SYSTEMCTL, encoding="utf-8")
    stand_in.chmod(0o755)
    try:
        yield system
    finally:
        for process in Path("/proc").glob("[0-9]*"):
            try:
                if (process / "root").readlink() == system:
                    os.kill(int(process.name), signal.SIGKILL)
            except OSError:
                continue  # ended by itself, or not ours to look at
        for name in ("proc", "dev", "sys"):
            subprocess.run(["umount", "--recursive", "--lazy", system / name], check=True)


def _run(system: Path, block: str) -> subprocess.CompletedProcess[str]:
    certificates = system / "root/certificates.pem"
    certificates.write_bytes(Path("/etc/ssl/certs/ca-certificates.crt").read_bytes())
    environ = {
        "DEBIAN_FRONTEND": "noninteractive",
        "HOME": "/root",
        "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
        "PIP_CERT": "/root/certificates.pem",
        "PUBLIC_NAME": "localhost",
    }
    commands = f"cd /opt/bow-trial\n{block.replace('PUBLIC_NAME=bows.example', 'PUBLIC_NAME=localhost')}"
    return subprocess.run(
        ["chroot", system, "sh", "-eu", "-c", commands],
        env=environ,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )

"""The examples of README and the API's page as they stand: for a dealer's own server against a live one, and for whoever receives messages."""

import base64
import os
import re
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from standardwebhooks import WebhookVerificationError

from service import migrations
from service.app import create_app
from service.dealers import api_keys
from service.mail.webhooks import Call
from tests.service.client import add_small_range, settings_in

ROOT = Path(__file__).resolve().parents[2]
PAGES = "\n".join((ROOT / name).read_text(encoding="utf-8") for name in ("README.md", "service/docs/api.md"))
SECONDS = 20


def example(language: str, about: str) -> str:
    """Return the one example of README and the page for web developers in a language that speaks of something."""
    blocks = re.findall(rf"^```{language}\n(.*?)^```", PAGES, re.DOTALL | re.MULTILINE)
    (found,) = (block for block in blocks if about in block)
    return str(found)


@pytest.mark.process
def test_the_example_leads_a_trial_from_advice_to_outcome(tmp_path: Path) -> None:
    app = create_app(settings_in(tmp_path))
    migrations.upgrade(app.state.database)
    add_small_range(app.state.database)
    with app.state.database.writing() as session:
        key = api_keys.make(session, None, "harbour", "server")
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=0, log_level="warning"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    until = time.monotonic() + SECONDS
    while not server.started and time.monotonic() < until:
        time.sleep(0.02)
    port = server.servers[0].sockets[0].getsockname()[1]
    told = subprocess.run(
        [sys.executable, "-c", example("python", "httpx")],
        env=os.environ | {"BOWS": f"http://127.0.0.1:{port}", "BOWS_KEY": key},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    server.should_exit = True
    thread.join(SECONDS)
    assert told.returncode == 0, told.stderr
    lines = told.stdout.splitlines()
    assert re.match(r"(Juniper|Bramble) (best_fit|best_value|step_up) \d", lines[0])
    assert lines[-2].endswith(".")
    assert "'outcome': 'none'" in lines[-1]


def test_the_example_of_a_receiver_knows_our_messages_from_others() -> None:
    receiver: dict[str, Any] = {}
    exec(example("python", "standardwebhooks"), receiver)
    read, now = receiver["message"], str(int(time.time()))
    secret, other = ("whsec_" + base64.b64encode(byte * 32).decode() for byte in (b"a", b"b"))
    call = Call("https://shop.example", b'{"type":"enquiry.created"}', "id", now, "older", secrets=(secret,))
    assert read(call.headers, call.body, secret) == {"type": "enquiry.created"}
    old = replace(call, time=str(int(now) - 301))
    for headers, body, key in (
        (call.headers, call.body + b" ", secret),
        (call.headers, call.body, other),
        (old.headers, old.body, secret),
    ):
        with pytest.raises(WebhookVerificationError):
            read(headers, body, key)

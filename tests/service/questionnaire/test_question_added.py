"""A question is declared once: whoever adds one edits one file, and form, API, refusals, summary, record and advice have it.

A copy of the service gets one more question, by the recipe of DEVELOPERS.md, and an application of that copy is asked, in a process of its own.
"""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.recipes import Copied

pytestmark = pytest.mark.process
ROOT = Path(__file__).resolve().parents[3]
ASKING = """
import json, sys, tempfile
from pathlib import Path

import service
from service.questionnaire import answer_summary
from tests.service.client import add_small_range, serving, settings_in
from tests.service.page import Reader

with tempfile.TemporaryDirectory() as folder, serving(settings_in(Path(folder), advice_per_minute=0)) as client:
    add_small_range(client.database)
    reader, found = Reader(client.app), {"service": service.__file__}
    page = reader.send(reader.send(reader.get("/?dealer=harbour")), {"instrument": "violin"})
    found["asked"] = page.text
    wrong = reader.send(page, {"rosin": "12"})
    found["refused"] = [wrong.status, wrong.text]
    page = reader.send(wrong, {"rosin": "3"})
    for _step in ("own-bow", "wishes", "budget"):
        page = reader.send(page, {})
    found["checked"] = page.text
    answer = reader.send(page, {})
    found["kept"] = client.enquiries()[-1].answers
    found["why"] = reader.get(answer.address + "/why").text
    found["summary"] = [[line.question, line.answer] for line in answer_summary.lines(found["kept"])]
    refusal = client.advice({"instrument": "violin", "rosin": 12})
    found["api"] = [refusal.status_code, refusal.json()]
    found["taken"] = client.advice({"instrument": "violin", "rosin": 3}).status_code
    schemas = client.get("/openapi.json").json()["components"]["schemas"]
    found["schema"] = schemas["Questionnaire"]["properties"].get("rosin")
    found["told"] = schemas["Influence"]["properties"]["answer"]["enum"]
    json.dump(found, sys.stdout)
"""


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Return what an application with one more question says, after one file of it was changed."""
    copy = tmp_path_factory.mktemp("copy")
    for room in ("service", "templates"):
        shutil.copytree(ROOT / room, copy / room, ignore=shutil.ignore_patterns("__pycache__"))
    assert Copied(copy).follow("A question") == 1
    there = {**os.environ, "PYTHONPATH": f"{copy}{os.pathsep}{ROOT}", "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        [sys.executable, "-c", ASKING], cwd=copy, env=there, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    said: dict[str, Any] = json.loads(done.stdout)
    assert Path(said["service"]).is_relative_to(copy)
    return said


def test_the_form_asks_it_and_refuses_what_it_does_not_take(found: dict[str, Any]) -> None:
    assert "How many cakes of rosin do you use a year? It shows how much you play." in found["asked"]
    status, page = found["refused"]
    assert status == 422
    assert "Rosin: Got 12; expected a whole number of cakes of rosin from 1 to 9." in page


def test_the_api_describes_it_takes_it_and_refuses_it_in_the_same_words(found: dict[str, Any]) -> None:
    assert found["schema"]["description"] == "a whole number of cakes of rosin from 1 to 9"
    assert found["taken"] == 200
    status, refusal = found["api"]
    assert status == 422
    (problem,) = refusal["errors"]
    assert (problem["path"], problem["detail"]) == (
        "rosin",
        "Got 12; expected a whole number of cakes of rosin from 1 to 9.",
    )


def test_the_answer_is_told_kept_and_said_to_serve_the_adviser(found: dict[str, Any]) -> None:
    assert "Rosin used 3 cakes a year" in found["checked"]
    assert ["Rosin used", "3 cakes a year"] in found["summary"]
    assert found["kept"]["rosin"] == 3
    assert "How much rosin you use" in found["why"]
    assert "rosin" in found["told"]

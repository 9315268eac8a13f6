"""``advise``: JSON in, JSON out; JSON lines in, JSON lines out; and plain words for what is neither."""

import io
import json
import sys
from pathlib import Path
from typing import Any

import pytest

from service import cli
from tests import factories
from tests.factories import row

VIOLIN = {"instrument": "violin", "dealer": "harbour"}


class Advise:
    """Runs ``advise`` on a text."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder, self._capsys, self._patch = folder, capsys, monkeypatch
        self.err = ""

    def __call__(self, text: str | bytes) -> tuple[int, str]:
        """Send a text by standard input; return the exit status and the output."""
        data = text if isinstance(text, bytes) else text.encode()
        self._patch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(data)))
        return self.run()

    def run(self, *arguments: str) -> tuple[int, str]:
        """Run the command as it stands."""
        status = cli.main(["advise", *arguments], {"DATA_DIR": str(self.folder)})
        out, self.err = self._capsys.readouterr()
        return status, out


@pytest.fixture
def advise(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Advise:
    """``advise`` on a small range that nobody has tried yet."""
    copies = [row("copies", copy=f"VN-{number}") for number in range(1, 5)]
    folder = factories.write(tmp_path / "given", {"tiers": [row("tiers")], "copies": copies})
    for arguments in (["migrate"], ["load", str(folder)]):
        assert cli.main(arguments, {"DATA_DIR": str(tmp_path)}) == 0
    capsys.readouterr()
    return Advise(tmp_path, capsys, monkeypatch)


def test_one_document_gives_one_with_the_copies_to_bring(advise: Advise) -> None:
    status, out = advise(json.dumps(VIOLIN, indent=2))
    advice = json.loads(out)
    assert status == 0
    assert advice["model"]["basis"] == "prior"
    assert len(advice["trial"]["bring"]) == advice["trial"]["copies"] > 0
    assert set(advice["trial"]["bring"]) <= {"VN-1", "VN-2", "VN-3", "VN-4"}


def test_answers_may_come_from_a_file(advise: Advise) -> None:
    (advise.folder / "answers.json").write_text("\ufeff" + json.dumps(VIOLIN), encoding="utf-8")
    status, out = advise.run(str(advise.folder / "answers.json"))
    assert (status, json.loads(out)["shortlist"][0]["tier"]) == (0, "heron")
    assert advise.run(str(advise.folder / "ghost.json"))[0] == 1
    assert advise.err.endswith("ghost.json: No such file or directory\n")


def test_lines_give_lines_in_order_and_an_unusable_one_an_error(advise: Advise) -> None:
    lines = [json.dumps(VIOLIN), '{"instrument": "lute"}', "{broken", "", '{"instrument": NaN}', json.dumps(VIOLIN)]
    status, out = advise("\n".join(lines))
    replies = [json.loads(line) for line in out.splitlines()]
    assert status == 1
    assert ["error" in reply for reply in replies] == [False, True, True, True, False]
    assert replies[1]["error"]["errors"][0]["path"] == "instrument"
    assert "line 3, column 2" in replies[2]["error"]["detail"]
    assert replies[3]["error"]["detail"].startswith("The answers hold NaN, which is no JSON")


def test_unusable_answers_name_every_field(advise: Advise) -> None:
    status, out = advise('{"instrument": "double_bass", "strings": "four"}')
    problems = {problem["path"]: problem["detail"] for problem in json.loads(out)["error"]["errors"]}
    assert status == 1
    assert {"hold", "strings"} <= problems.keys()


NO_JSON: list[tuple[Any, str]] = [
    ("", "The answers are no JSON: Expecting value at line 1, column 1."),
    ('{"instrument": "violin"\n "hold": 1}', "The answers are no JSON: Expecting ',' delimiter at line 2, column 2."),
    ('{"budget": {"amount": Infinity}}', "The answers hold Infinity, which is no JSON; leave out what is not known."),
    ("[" * 100_000, "The answers are no usable JSON: they are nested too deeply."),
    (b'{"name": "Zo\xeb"}', "The answers are not UTF-8 text (byte 13); save them as UTF-8."),
]


@pytest.mark.parametrize(("text", "sentence"), NO_JSON, ids=["empty", "comma", "infinity", "depth", "encoding"])
def test_what_is_no_json_is_told_with_its_place(advise: Advise, text: str | bytes, sentence: str) -> None:
    assert advise(text) == (1, "")
    assert advise.err == f"{sentence}\n"

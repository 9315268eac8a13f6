"""The decisions are dated entries in the order of their days, each with a reason, and stand in one place only."""

import datetime as dt
import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
DECISIONS = ROOT / "service" / "docs" / "decisions.md"
ENTRY = re.compile(r"- (\d{4}-\d\d-\d\d) \*\*(.+?)\*\*(.*)")


def entries() -> list[tuple[dt.date, str, str]]:
    lines = DECISIONS.read_text(encoding="utf-8").splitlines()
    matched = [ENTRY.fullmatch(line) for line in lines if line.startswith("-")]
    assert None not in matched
    return [(dt.date.fromisoformat(each[1]), each[2], each[3]) for each in matched if each]


def test_every_entry_has_its_day_its_decision_and_its_reason() -> None:
    found = entries()
    assert len(found) >= 138
    assert [decision for _day, decision, reason in found if not reason and decision[-1] not in ".?"] == []


def test_the_entries_stand_in_the_order_of_their_days() -> None:
    days = [day for day, _decision, _reason in entries()]
    assert days == sorted(days)


def test_no_entry_stands_twice() -> None:
    decisions = [decision for _day, decision, _reason in entries()]
    assert sorted(decisions) == sorted(set(decisions))


def test_no_entry_is_left_in_the_developers_page() -> None:
    assert (
        re.findall(r"^- 2\d{3}-\d\d-\d\d .*", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"), re.MULTILINE) == []
    )

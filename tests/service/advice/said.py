"""All that is said of an advice, sentence by sentence, and what of it no player should read: looked at from outside."""

import re
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from itertools import pairwise
from typing import Any

from service.advice import influence_words, shortlist
from service.core.language import _
from service.questionnaire import answer_summary

Document = Mapping[str, Any]
_NOT_READ = frozenset({"picture", "name", "names", "rows"})
"""Parts of a page that are no sentences: addresses, the picture, the names and figures of a table."""
_END = re.compile(r"(?<=[.?!])[”»“]?\s+(?=[A-ZÀ-Ý“„«])")
_CHANCE = re.compile(r"([^\W\d][^\d.:,;()|]*?) \((?:\D*)?(\d+)\s?%\)")
_FIGURE = re.compile(r"\d\s?%|[€£$]")
WIDEST = 24
"""Percent between the ends of what one word is said of: any more, and it says nothing."""
CHANCES = (
    "very unlikely",
    "unlikely",
    "less likely than not",
    "about as likely as not",
    "more likely than not",
    "likely",
    "very likely",
)
"""The words of chances, rising."""


def texts(part: Any) -> Iterator[str]:
    """Give every text of a page's context."""
    if isinstance(part, str):
        yield part
    elif is_dataclass(part):
        for field in fields(part):
            if field.name not in _NOT_READ:
                yield from texts(getattr(part, field.name))
    elif isinstance(part, dict):
        for name, each in part.items():
            if name not in _NOT_READ:
                yield from texts(each)
    elif isinstance(part, tuple | list):
        for each in part:
            yield from texts(each)


def page(doc: Document) -> dict[str, Any]:
    """Return what an advice's page says."""
    return shortlist.told(dict(doc))


def page_of_answers(doc: Document, told: Sequence[Mapping[str, Any]]) -> tuple[Any, ...]:
    """Return the texts of the page of what the answers did."""
    return answer_summary.quiet_line(doc["answers"]), influence_words.lead(told), *influence_words.lines(told, doc)


def sentences(of: Any) -> list[str]:
    """Return the sentences of a page, headings and labels left out."""
    parts = (one.strip() for text in texts(of) for one in _END.split(text))
    return [one for one in parts if one.endswith((".", "?", ".”", ".»", ".“", ":")) and len(one.split()) > 2]


def repeated(of: Any) -> list[str]:
    """Return the sentences that a page says more than once."""
    return [one for one, count in Counter(sentences(of)).items() if count > 1]


def chances(of: Any, spoken: Collection[str]) -> list[tuple[int, str]]:
    """Return every chance told in a word of ``spoken``, with its figure, the lowest first."""
    found = set()
    for text in texts(of):
        for before, figure in _CHANCE.findall(text):
            word = max((word for word in spoken if before.endswith(word)), key=len, default="")
            found.add((int(figure), word))
    return sorted(found)


def out_of_order(told: Sequence[tuple[int, str]], rising: Sequence[str]) -> list[tuple[int, str]]:
    """Return chances whose word is not one of ``rising``, or stands lower than that of a smaller chance."""
    unknown = [one for one in told if one[1] not in rising]
    known = [one for one in told if one[1] in rising]
    return unknown + [b for a, b in pairwise(known) if rising.index(b[1]) < rising.index(a[1])]


def too_wide(told: Sequence[tuple[int, str]]) -> list[str]:
    """Return the words said of chances that lie too far apart to be called the same."""
    ends: dict[str, list[int]] = {}
    for figure, word in told:
        ends.setdefault(word, []).append(figure)
    return [word for word, of in ends.items() if max(of) - min(of) > WIDEST]


def compared_with_itself(of: Any, spoken: Collection[str]) -> list[str]:
    """Return sentences that set a chance against another one in the same word."""
    return [
        one
        for one in sentences(of)
        for word in spoken
        if len(re.findall(rf"(?<!\w){re.escape(word)}(?= \()", one)) > 1 or " not no" in one
    ]


def named_out_of_nowhere(of: Any, doc: Document, models: Collection[str]) -> list[str]:
    """Return sentences that name a model which is not in the list, without what it costs or what it is to this player."""
    listed = {entry["name"] for entry in doc["shortlist"]} | {told["name"] for told in doc.get("tried", ())}
    others = [name for name in models if name not in listed]
    return [one for one in sentences(of) if any(name in one for name in others) and not _FIGURE.search(one)]


def another_first(told: Sequence[Mapping[str, Any]], doc: Document) -> list[str]:
    """Return models that are said to lead the list, of an answer's effect, and are not shown as the one that suits best."""
    best = {entry["name"] for entry in doc["shortlist"] if entry["role"] in ("best_fit", "most_liked")}
    said = [did for _answers, did in influence_words.lines(told, doc)]
    leading = (found.group(1) for text in said for found in re.finditer(r"suit you best, not ([^.]+)\.", text))
    return [name for name in leading if name not in best]


def rising_words() -> list[str]:
    """Return the words of chances in the language that is spoken."""
    return [_(word) for word in CHANCES]

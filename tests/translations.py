"""Every text that a reader meets, and the catalogues of its translations: ``python -m tests.translations`` brings them up to date.

Texts of the templates and of the service are collected by babel's extraction and brought into each catalogue by its update: a new
text has no translation, a reworded one keeps that of the text it comes closest to, marked fuzzy, until somebody has looked, and what no
text asks for is dropped. Fuzzy translations are not shown to readers: the English text is.
"""

import dataclasses
import datetime as dt
import io
import re
import string
import sys
from collections.abc import Iterator
from copy import deepcopy
from functools import cache
from pathlib import Path

from babel.messages import Catalog, Message
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po, unescape, write_po

from model.choice import ExclusionReason
from model.domain.vocabulary import SCALES
from model.evaluation import POLICIES
from service.core.formats import NBSP
from service.core.language import NAMES, SOURCE, catalogue_file

ROOT = Path(__file__).resolve().parents[1]
TRANSLATED = tuple(code for code in NAMES if code != SOURCE)
KEYWORDS = {"_": None, "N_": None, "gettext": None, "ngettext": (1, 2), "pgettext": ((1, "c"), 2)}
JINJA = {"trim_blocks": "true", "lstrip_blocks": "true", "newstyle_gettext": "false"}
HEADER = """# The texts of the service in another language: see DEVELOPERS.md, 'A translation'."""
SINCE = dt.datetime(2026, 11, 25, tzinfo=dt.UTC)
"""A date that stays, so that a catalogue changes only with its texts."""
METHODS = {
    "service": [("**.py", "python")],
    "templates": [("**.html", "jinja2"), ("**.txt", "jinja2")],
}


@cache
def texts() -> Catalog:
    """Return every text marked for translation, each with the files that hold it."""
    found = Catalog(charset="utf-8", fuzzy=False)
    for folder, methods in METHODS.items():
        options = {pattern: JINJA for pattern, method in methods if method == "jinja2"}
        for name, line, message, comments, context in extract_from_dir(
            ROOT / folder, methods, options, KEYWORDS, comment_tags=("Translators:",), strip_comment_tags=True
        ):
            found.add(message, None, [(f"{folder}/{name}", line)], auto_comments=comments, context=context)
    for text in _words_of_the_model():
        found.add(text, None, [("model/domain/vocabulary.py", 0)])
    return found


def _words_of_the_model() -> Iterator[str]:
    """Yield what the model says itself: it marks no text, since it knows no languages."""
    for scale in SCALES.values():
        yield from dataclasses.astuple(scale)
    yield from map(str, ExclusionReason)
    yield from POLICIES


def catalogue(code: str) -> Catalog:
    """Return a language's translations; empty where there are none yet."""
    file = catalogue_file(code)
    if not file.exists():
        return _empty(code)
    with file.open("rb") as stream:
        catalog = read_po(stream, locale=code, abort_invalid=True)
    for message in catalog:
        # babel writes the text before a fuzzy one with its mark, '#|', but reads it as a comment.
        before = [line for line in message.user_comments if line.startswith("|")]
        message.user_comments = [line for line in message.user_comments if line not in before]
        message.previous_id = _texts_in(" ".join(line[1:] for line in before)) if message.fuzzy else []
    return catalog


def _texts_in(comment: str) -> list[str]:
    """Return the text or the two forms that stand in a comment as msgid and msgid_plural."""
    parts = re.split(r"\bmsgid(?:_plural)? ", comment)[1:]
    return ["".join(map(unescape, re.findall(r'"(?:[^"\\]|\\.)*"', part))) for part in parts]


def _empty(code: str) -> Catalog:
    return Catalog(
        locale=code,
        charset="utf-8",
        fuzzy=False,
        header_comment=HEADER,
        project="bow-trial",
        version="1",
        copyright_holder="",
        msgid_bugs_address="",
        last_translator="",
        language_team="",
        creation_date=SINCE,
        revision_date=SINCE,
    )


def refreshed(code: str) -> Catalog:
    """Return a language's catalogue of today's texts; a reworded one keeps its translation, marked fuzzy, with the text before."""
    catalog = catalogue(code)
    before = {(message.id, message.context): message.previous_id for message in catalog}
    # The update takes new messages over as they are: without a copy all languages would share them, and what is put into one.
    catalog.update(deepcopy(texts()), update_creation_date=False)
    for message in catalog:
        if message.fuzzy and not message.previous_id:  # the update forgets it of one that was fuzzy already
            message.previous_id = before.get((message.id, message.context), [])
    return catalog


def set_in_type(code: str, text: str) -> str:
    """Return a translation as a printer sets it: „so“ in German, in French no line ends before ; : ! ? % or within « »."""
    if code == "de":
        return re.sub("‚([^‘]*)‘", r"„\1“", text)
    if code != "fr":
        return text
    before = re.sub(r" (?=[;:!?»]|%(?![(\w]))", NBSP, text)
    return before.replace("« ", f"«{NBSP}")


def as_text(catalog: Catalog) -> bytes:
    """Return a catalogue as its file holds it."""
    code = str(catalog.locale)
    for message in catalog:
        forms = message.string
        if isinstance(forms, list | tuple):
            message.string = tuple(set_in_type(code, form) for form in forms)
        elif message.id:
            message.string = set_in_type(code, forms or "")
    stream = io.BytesIO()
    write_po(
        stream, catalog, width=120, sort_output=True, include_lineno=False, ignore_obsolete=True, include_previous=True
    )
    return stream.getvalue()


def untranslated(catalog: Catalog) -> list[str]:
    """Return the texts that lack a translation, or one of its plural forms, or have one that nobody has looked at yet."""
    return [
        str(message.id)
        for message in catalog
        if message.id
        and (message.fuzzy or not (all(message.string) if isinstance(message.string, list | tuple) else message.string))
    ]


def _pairs(message: Message) -> Iterator[tuple[str, str, bool]]:
    """Yield each source text with its translation, and whether it is the singular of several forms."""
    if isinstance(message.id, tuple | list):
        forms = list(message.string or ())
        yield message.id[0], forms[0], True
        yield from ((message.id[1], form, False) for form in forms[1:])
    else:
        yield str(message.id), str(message.string), False


def _values(text: str) -> set[str]:
    """Return the names of what is put into a text, of both kinds: {name} and %(name)s."""
    named = {name for _text, name, _spec, _conversion in string.Formatter().parse(text) if name is not None}
    return named | {part.partition(")s")[0] for part in text.split("%(")[1:]}


def wrong(message: Message) -> list[str]:
    """Return what a translation has lost of its text, or added to it."""
    found = []
    for source, translated, singular in _pairs(message):
        missing, added = _values(source) - _values(translated), _values(translated) - _values(source)
        # 'one bow' may say its one in the word itself, so that the singular may do without the count.
        if added or (missing and not singular) or missing - {"count", "number", "bows", "copies"}:
            found.append(f"{source!r}: got {sorted(_values(translated))}, expected {sorted(_values(source))}")
        if source[:1].isspace() != translated[:1].isspace() or source[-1:].isspace() != translated[-1:].isspace():
            found.append(f"{source!r}: got other blanks at its ends in {translated!r}")
    return found


def main() -> int:
    """Write every catalogue anew and say what each lacks."""
    for code in TRANSLATED:
        catalog = refreshed(code)
        file = catalogue_file(code)
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(as_text(catalog))
        fuzzy = sum(message.fuzzy for message in catalog if message.id)
        print(
            f"{code}: {len(catalog)} texts, {len(untranslated(catalog))} to translate, {fuzzy} of them reworded (fuzzy)"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())

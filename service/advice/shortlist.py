"""A stored advice in words, ready to be shown on its page."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from service.advice import interval_pictures, side_by_side, words
from service.core import formats
from service.core.language import _
from service.questionnaire import answer_summary


@dataclass(frozen=True, slots=True)
class TierCard:
    """One tier of the list. ``quiet``: no trial of it is advised. ``tried``: what the player made of its bows before."""

    role: str
    name: str
    price: str
    sentence: str
    bring: str
    quiet: bool
    tried: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class BowStep:
    """One step of 'how many bows': ``here`` marks the advised one; ``fewer`` says where the best case holds fewer bows than that."""

    count: int
    chance: str
    here: bool
    fewer: str = ""


def told(doc: dict[str, Any]) -> dict[str, Any]:
    """Return a stored advice as its page, its paper and the desk show it, by name.

    ``answers``: the quiet line above the heading, which is the verdict. ``lead``, ``ground``: what the verdict rests on; what was
    asked for, and whose trials count. ``tried``: what the player made of bows of other tiers. ``beside``: None where too little is
    known. ``numbers``: a row of name, expected, likely marks and ``beats``, the heading of the last, for each tier, as in the picture.
    ``in_words``: the steps hold no figures. ``play_heading``: empty where there is nothing to play.
    """
    answers, none = doc["answers"], _has_no_bow(doc)
    return {
        "title": words.headline(doc),
        "answers": answer_summary.quiet_line(answers),
        "lead": words.behind(doc) or words.lead(doc),
        "ground": words.ground(doc) if words.behind(doc) else "",
        "model_is": words.model_is(),
        "tiers": list(_cards(doc)),
        "tried": words.tried_besides(doc),
        "beside": side_by_side.beside(doc),
        "picture": interval_pictures.liking(doc),
        "caption": _caption(doc),
        "beats": _("One of its bows called good") if none else _("One of its bows liked better than yours"),
        "numbers": [_numbers(entry, doc) for entry in doc["shortlist"]],
        "steps_lead": _steps_lead(doc),
        "steps": _steps(doc),
        "in_words": words.rests_on_prior(doc),
        "recommendation": words.recommendation(doc) if _steps(doc) else "",
        "play_heading": _play_heading(doc),
        "plays": words.what_to_play(answers["instrument"], answers.get("settings", ()), own_bow=not none),
        "trying": words.how_to_try(answers.get("trial", {}).get("place", "shop"), own_bow=not none),
        "sureness": words.sureness(doc),
        "notes": words.notes_of_page(doc),
        "cautions": words.cautions(doc),
    }


def _has_no_bow(doc: dict[str, Any]) -> bool:
    return bool(doc["own_bow"]["state"] == "none")


def _cards(doc: dict[str, Any]) -> Iterator[TierCard]:
    for entry, why in zip(doc["shortlist"], words.whys(doc, beside_table=side_by_side.is_known(doc)), strict=True):
        yield TierCard(
            role=words.role_words(entry, doc),
            name=entry["name"],
            price=formats.money(entry["price"], entry["currency"]),
            sentence=" ".join(filter(None, (*why, words.above_budget(entry, doc)))),
            bring=words.bring_words(entry, doc),
            quiet=not entry["copies"] or not words.advises(doc),
            tried=tuple(words.tried_here(entry, doc)),
        )


def _play_heading(doc: dict[str, Any]) -> str:
    """Return the heading over what to play; empty where nothing is at hand to play."""
    if words.advises(doc):
        return _("What to play during the trial")
    trial = doc["trial"]
    return _("What to play, if you compare all the same") if trial and trial["copies"] else ""


def _numbers(entry: dict[str, Any], doc: dict[str, Any]) -> tuple[str, str, str, str]:
    fit, beats = entry["fit"], words.chance_words(entry["beats_own_bow"], doc)
    marks = formats.interval(fit["low"], fit["high"])
    if not words.rests_on_prior(doc):
        marks = f"{marks} ({formats.percent(fit['level'])})"
    return entry["name"], formats.number(fit["expected"]), marks, beats


def _caption(doc: dict[str, Any]) -> str:
    if words.rests_on_prior(doc):
        return _("The dot is a first guess, the bar the marks that we expect about nine bows in ten to get.")
    return _(
        "The dot is what we expect, the bar the marks that about nine bows in ten would get from you: single bows differ, and so "
        "do days."
    )


def _steps_lead(doc: dict[str, Any]) -> str:
    if _has_no_bow(doc):
        said = _("How likely is it that you would call at least one of them good? The more you try, the likelier:")
    else:
        said = _(
            "How likely is it that you like at least one of them better than your own bow, if only a little? The more you try, "
            "the likelier:"
        )
    return " ".join(part for part in (words.of_stock(doc), said) if part)


def _steps(doc: dict[str, Any]) -> list[BowStep]:
    trial = doc["trial"] or {"by_copies": (), "copies": 0}
    say = formats.chance_word if words.rests_on_prior(doc) else formats.percent
    return [
        bow_step(
            row["copies"],
            row.get("bows", row["copies"]),
            say(row["chance"]),
            words.advises(doc) and row["copies"] == trial["copies"],
        )
        for row in trial["by_copies"]
    ]


def bow_step(count: int, bows: int, chance: str, here: bool) -> BowStep:
    """Return a step of so many bows, of which the best case holds ``bows``: where that is fewer, it says so."""
    if not bows:
        return BowStep(count, _("better none"), here)
    return BowStep(count, chance, here, "" if bows == count else _("only {bows}").format(bows=bows))

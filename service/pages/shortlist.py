"""The result page's context: a stored advice, in words, ready to be shown."""

from dataclasses import dataclass
from typing import Any

from service import formats, pictures, words
from service.doors import Look
from service.language import _
from service.pages import summary
from service.pages.contexts import Page


@dataclass(frozen=True, slots=True)
class TierCard:
    """One tier of the shortlist. ``quiet``: none of it is carried to the trial."""

    role: str
    name: str
    price: str
    sentence: str
    bring: str
    quiet: bool


@dataclass(frozen=True, slots=True)
class NumbersRow:
    """One tier's numbers, the same as in the picture; ``beats`` is in words, with the figure once trials speak."""

    name: str
    expected: str
    interval: str
    beats: str


@dataclass(frozen=True, slots=True)
class BowStep:
    """One step of 'how many bows': ``here`` marks the advised one; ``fewer`` says where the best case holds fewer bows than that."""

    count: int
    chance: str
    here: bool
    fewer: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShortlistPage(Page):
    """The result page.

    Attributes
    ----------
    answers : the quiet line above the heading.
    within, beats : headings of the table of numbers.
    steps_lead : what the steps say; ``in_words`` while they hold no figures.
    again : where 'change your answers' is posted, with its token ``csrf``.
    address : the page's own, under which it is found again.
    data, privacy : where the player's own data is, and where it stands what is kept and why; empty at the desk.
    """

    answers: str
    lead: str
    tiers: tuple[TierCard, ...]
    picture: pictures.LikingPicture | None
    caption: str
    within: str
    beats: str
    numbers: tuple[NumbersRow, ...]
    steps_lead: str
    steps: tuple[BowStep, ...]
    in_words: bool
    recommendation: str
    plays: tuple[str, ...]
    trying: tuple[str, ...]
    sureness: str
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    again: str
    address: str
    csrf: str
    data: str = ""
    privacy: str = ""


def page_of(
    doc: dict[str, Any],
    address: str,
    csrf: str,
    dealer: str | None,
    demo: bool,
    look: Look | None = None,
    data: str = "",
    privacy: str = "",
) -> ShortlistPage:
    """Return the result page of a stored advice, found at ``address``."""
    answers = doc["answers"]
    return ShortlistPage(
        title=words.headline(doc),
        dealer=dealer,
        demo=demo,
        look=look,
        answers=summary.quiet_line(answers),
        lead=words.lead(doc),
        tiers=tuple(_card(entry, doc) for entry in doc["shortlist"]),
        picture=pictures.liking(doc),
        caption=_caption(doc),
        within=_within(doc),
        beats=_("Called good") if _has_no_bow(doc) else _("Beats your bow"),
        numbers=tuple(_numbers(entry, doc) for entry in doc["shortlist"]),
        steps_lead=_steps_lead(doc),
        steps=tuple(_steps(doc)),
        in_words=words.rests_on_prior(doc),
        recommendation=words.recommendation(doc),
        plays=words.what_to_play(answers["instrument"], answers.get("settings", ())),
        trying=words.how_to_try(),
        sureness=words.sureness(doc),
        notes=tuple(words.notes(doc)),
        cautions=tuple(words.cautions(doc)),
        again=f"{address}/again",
        address=address,
        csrf=csrf,
        data=data,
        privacy=privacy,
    )


def _has_no_bow(doc: dict[str, Any]) -> bool:
    return bool(doc["own_bow"]["state"] == "none")


def _card(entry: dict[str, Any], doc: dict[str, Any]) -> TierCard:
    sentences = (words.reason_sentence(entry, doc), words.above_budget(entry, doc))
    return TierCard(
        role=words.role_words(entry["role"]),
        name=entry["name"],
        price=formats.money(entry["price"], entry["currency"]),
        sentence=" ".join(filter(None, sentences)),
        bring=words.bring_words(entry),
        quiet=not entry["copies"],
    )


def _chance(chance: float, doc: dict[str, Any]) -> str:
    """Say a chance in words, with the figure behind it only where trials stand behind it."""
    return formats.chance_word(chance) if words.rests_on_prior(doc) else formats.chance(chance)


def _numbers(entry: dict[str, Any], doc: dict[str, Any]) -> NumbersRow:
    fit = entry["fit"]
    return NumbersRow(
        name=entry["name"],
        expected=formats.number(fit["expected"]),
        interval=formats.interval(fit["low"], fit["high"]),
        beats=_chance(entry["beats_own_bow"], doc),
    )


def _level(doc: dict[str, Any]) -> str:
    """Say the share of copies within the interval, in tenths, as it is read aloud."""
    level = doc["shortlist"][0]["fit"]["level"] if doc["shortlist"] else 0.9
    return _("{count} in ten").format(count=formats.counted(round(10 * level)))


def _within(doc: dict[str, Any]) -> str:
    return formats.capital(_level(doc))


def _caption(doc: dict[str, Any]) -> str:
    count = _level(doc)
    if words.rests_on_prior(doc):
        return _("The dot is a first guess, the bar where we expect {count} ratings to fall.").format(count=count)
    return _(
        "The dot is what we expect, the bar where your ratings of {count} copies would fall: single copies differ, and so do days."
    ).format(count=count)


def _steps_lead(doc: dict[str, Any]) -> str:
    if _has_no_bow(doc):
        return _("How likely it is that you would call at least one of them good, by how many you try:")
    return _("How likely it is that at least one of them beats your own bow, by how many you try:")


def _steps(doc: dict[str, Any]) -> list[BowStep]:
    trial = doc["trial"] or {"by_copies": (), "copies": 0}
    say = formats.chance_word if words.rests_on_prior(doc) else formats.percent
    return [
        bow_step(row["copies"], row.get("bows", row["copies"]), say(row["chance"]), row["copies"] == trial["copies"])
        for row in trial["by_copies"]
    ]


def bow_step(count: int, bows: int, chance: str, here: bool) -> BowStep:
    """Return a step of so many bows, of which the best case holds ``bows``: where that is fewer, it says so."""
    if not bows:
        return BowStep(count, _("better none"), here)
    return BowStep(count, chance, here, "" if bows == count else _("only {bows}").format(bows=bows))

"""The verdict: what is advised, as the headline of everything, and the sentences that stand behind it.

Nothing that is said of an advice may contradict it: where a bow is not worth a trial nothing speaks for one, and where none is
at hand nothing speaks of bows to try. An advice of before there were verdicts has none stored and is read by its case.
"""

from collections.abc import Collection, Mapping, Sequence
from typing import Any, Final

from model.domain.vocabulary import Basis, Role
from service.core import formats
from service.core.language import _, ngettext

Document = Mapping[str, Any]

TRIAL: Final = "trial"
CURIOUS: Final = "curious"
KEEP: Final = "keep"
ASK: Final = "ask"
NOTICEABLE = 0.3
"""Points from which on a player notices that a bow is better (a judgement); the verdict's chance is of so much."""
LEAST_SAID = 0.05
"""A gain below so many points would be told as 0.0."""


def code(doc: Document) -> str:
    """Return the verdict's code; of a document of before verdicts what its case comes to."""
    verdict, trial = doc.get("verdict"), doc["trial"]
    if not trial:
        return ASK
    if verdict is not None:
        return str(verdict["code"])
    if trial["copies"]:
        return TRIAL
    return KEEP if trial["by_copies"] else ASK


def advises(doc: Document) -> bool:
    """Say whether a trial is advised, be it to the curious only."""
    return code(doc) in (TRIAL, CURIOUS)


def rests_on_prior(doc: Document) -> bool:
    """Say whether so few trials stand behind the advice that no percentage is shown."""
    return bool(doc["model"]["basis"] == Basis.PRIOR)


def chance_words(chance: float, doc: Document) -> str:
    """Return a chance in words, with the figure behind it only where trials stand behind it."""
    return formats.chance_word(chance) if rests_on_prior(doc) else formats.chance(chance)


def knows_stock(doc: Document) -> bool:
    """Say whether it is known which bows are at hand."""
    if any(note["code"] == "by_stock" for note in doc["notes"]):
        return True
    return any(entry.get("at_hand") is not None for entry in doc["shortlist"])


def rejected(doc: Document) -> Collection[str]:
    """Return the bows at hand that the player rated clearly below the own bow, by serial."""
    return list((doc["trial"] or {}).get("rejected", ()))


def none_liked(doc: Document) -> bool:
    """Say whether there is nothing to bring though the player has played bows that are at hand: they were not liked."""
    return code(doc) == ASK and bool(rejected(doc))


def main_entry(doc: Document) -> Mapping[str, Any] | None:
    """Return the entry that the others are measured by: what fits best, without a budget what is liked most; None without any."""
    for role in (Role.BEST_FIT, Role.MOST_LIKED):
        for entry in doc["shortlist"]:
            if entry["role"] == role:
                return dict(entry)
    return next(iter(doc["shortlist"]), None)


def headline(doc: Document) -> str:
    """Return the verdict in one line: the heading of the page, the subject of the mail, the API's ``verdict.text``."""
    if not doc["shortlist"]:
        return _("Nothing in the range fits these answers")
    if doc.get("verdict") is None:
        return _before_verdicts(doc)
    return {TRIAL: _trial, CURIOUS: _curious, KEEP: _keep, ASK: _nothing}[code(doc)](doc)


def _trial(doc: Document) -> str:
    return _("Worth a trial: {bows}").format(bows=formats.bows(doc["trial"]["copies"]))


def _curious(doc: Document) -> str:
    bows = formats.bows(doc["trial"]["copies"])
    if doc["own_bow"]["state"] == "none":
        return _("Worth getting to know: {bows}").format(bows=bows)
    return _("Worth a try if you are curious: {bows}").format(bows=bows)


def _before_verdicts(doc: Document) -> str:
    if not doc["trial"] or not doc["trial"]["copies"]:
        return _("What could suit you, and why")
    copies = doc["trial"]["copies"]
    sentence = ngettext("{bows} to try, and why this one", "{bows} to try, and why these", copies)
    return formats.capital(sentence.format(bows=formats.bows(copies)))


def _nothing(doc: Document) -> str:
    if any(note["code"] == "over_budget" for note in doc["notes"]):
        return _("Nothing in the range is within your budget")
    if none_liked(doc):
        return _("Nothing suitable is at hand today but bows that you did not like")
    return _("Nothing suitable is at hand today")


def _keep(doc: Document) -> str:
    unrated, budget = doc["own_bow"]["state"] == "unrated", doc["answers"].get("budget")
    if unrated and budget:
        return _("Unless you are unhappy with your own bow, it is hard to better with this budget")
    if unrated:
        return _("Unless you are unhappy with your own bow, it is hard to better with what there is")
    if budget:
        return _("Your own bow is hard to better with this budget")
    return _("Your own bow is hard to better with what there is")


def behind(doc: Document) -> str:
    """Say what the verdict rests on: the chance of a bow that is better by enough to notice, and what would change it."""
    if doc.get("verdict") is None or not doc["shortlist"]:
        return ""
    parts = {TRIAL: _for_a_trial, CURIOUS: _for_a_trial, KEEP: _for_keeping, ASK: _for_asking}[code(doc)](doc)
    return " ".join(part for part in parts if part)


def _for_a_trial(doc: Document) -> list[str]:
    bows, state = doc["trial"]["copies"], doc["own_bow"]["state"]
    if state == "none":
        sentence = ngettext(
            "It is {chance} that you would like it noticeably better than a bow most players would call good.",
            "It is {chance} that you would like at least one of them noticeably better than a bow most players would call "
            "good.",
            bows,
        )
    elif state == "unrated":
        sentence = ngettext(
            "It is {chance} that it is noticeably better than your own bow, if you like yours as most players like theirs.",
            "It is {chance} that at least one of them is noticeably better than your own bow, if you like yours as most "
            "players like theirs.",
            bows,
        )
    else:
        sentence = ngettext(
            "It is {chance} that it is noticeably better than your own bow.",
            "It is {chance} that at least one of them is noticeably better than your own bow.",
            bows,
        )
    return [sentence.format(chance=chance_words(doc["verdict"]["chance"], doc))]


def _for_keeping(doc: Document) -> list[str]:
    chance = chance_words(doc["verdict"]["chance"], doc)
    sentence = ngettext(
        "It is {chance} that the bow named below is noticeably better than yours.",
        "It is {chance} that any of the bows below is noticeably better than yours.",
        doc["trial"]["copies"],
    )
    tiers_at_hand = {entry["tier"] for entry in doc["shortlist"] if entry.get("at_hand")}
    return [
        sentence.format(chance=chance),
        _little_to_win(doc),
        what_changes_it(doc),
        elsewhere(doc, besides=tiers_at_hand),
    ]


def _little_to_win(doc: Document) -> str:
    gain = doc["verdict"]["expected_gain"]
    if rests_on_prior(doc) or gain >= NOTICEABLE:
        return ""
    if gain < LEAST_SAID:
        return _("On average next to nothing would be won.")
    return _("On average {points} points would be won on the scale from 1 to 7, too little to notice.").format(
        points=formats.number(gain)
    )


def what_changes_it(doc: Document) -> str:
    """Say from which price on, and with which tier, keeping the own bow may no longer be right; or that no price changes it."""
    changes_at = doc["verdict"].get("changes_at")
    if changes_at:
        price = formats.money(changes_at["price"], changes_at["currency"])
        return _("From {price} on, with {model}, that may change.").format(price=price, model=changes_at["name"])
    if doc["verdict"].get("higher_would_not") and doc["answers"].get("budget"):
        return _("A higher budget would not change that, as far as we can tell.")
    return ""


def _for_asking(doc: Document) -> list[str]:
    if any(note["code"] == "over_budget" for note in doc["notes"]):
        nearest = doc["shortlist"][0]
        price = formats.money(nearest["price"], nearest["currency"])
        return [_("The nearest is {model}, at {price}.").format(model=nearest["name"], price=price)]
    stock_elsewhere = elsewhere(doc)
    if stock_elsewhere:
        return [stock_elsewhere]
    return [_("Ask us when a suitable one can be had.")]


def elsewhere(doc: Document, besides: Collection[str] = (), *, beside_list: bool = True) -> str:
    """Say which suitable bows the workshop has, of other tiers than those ``besides``; empty where it has none.

    A tier that is not in the list stands in a sentence that says so, with its price where that was kept.

    ``beside_list``: whether the list is there to be read.
    """
    listed = {entry["tier"] for entry in doc.get("shortlist", ())}
    places = [
        place
        for place in (doc.get("verdict") or {}).get("elsewhere", ())
        if place["count"] and place["tier"] not in besides
    ]
    if not beside_list:
        return _workshop_has([_priced(place) for place in places])
    others = [_priced(place) for place in places if place["tier"] not in listed]
    sentence = _("Of models that are not listed here the workshop has {bows}.")
    said = [
        _workshop_has([_bows_there(place) for place in places if place["tier"] in listed]),
        sentence.format(bows=formats.listed(others)) if others else "",
    ]
    return " ".join(part for part in said if part)


def _workshop_has(bows: Sequence[str]) -> str:
    return _("The workshop has {bows}.").format(bows=formats.listed(bows)) if bows else ""


def _bows_there(place: Mapping[str, Any]) -> str:
    return ngettext("one {tier}", "{count} {tier}", place["count"]).format(
        count=formats.counted(place["count"]), tier=place["name"]
    )


def _priced(place: Mapping[str, Any]) -> str:
    bows = _bows_there(place)
    if place.get("price") is None:
        return bows
    price = formats.money(place["price"], place["currency"])
    return ngettext("{bows} at {price}", "{bows} at {price} each", place["count"]).format(bows=bows, price=price)

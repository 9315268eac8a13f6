"""Why a tier is in the list, in whole sentences: how it differs from the own bow or from its neighbour, and what its maker says."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any

from model.domain.vocabulary import Criterion, Role
from service.advice.verdict import Document, advises, main_entry
from service.core import formats, phrases
from service.core.language import N_, _

Entry = Mapping[str, Any]
Told = Mapping[str, Any]

SMALL = 0.5
"""Points below which a difference is said to be small."""
ALIKE = 0.1
"""Points below which two bows are liked alike."""
SAME_MASS_G = 1.0
"""Grams below which two bows weigh about as much (a judgement)."""
OWN_BOW = "own_bow"

_FRAMES: Mapping[tuple[str, bool, bool], str] = {
    ("rated", True, False): N_("Compared with your own bow, expect {differences}."),
    ("rated", True, True): N_("Compared with your own bow, expect {differences}, if only by a little."),
    ("rated", False, False): N_("Compared with your own bow, it probably brings {differences}."),
    ("rated", False, True): N_("Compared with your own bow, it probably brings {differences}, if only by a little."),
    ("unrated", True, False): N_("Compared with a bow such as most players own, expect {differences}."),
    ("unrated", True, True): N_(
        "Compared with a bow such as most players own, expect {differences}, if only by a little."
    ),
    ("unrated", False, False): N_("Compared with a bow such as most players own, it probably brings {differences}."),
    ("unrated", False, True): N_(
        "Compared with a bow such as most players own, it probably brings {differences}, if only by a little."
    ),
    ("none", True, False): N_("Compared with a bow that most players would call good, expect {differences}."),
    ("none", True, True): N_(
        "Compared with a bow that most players would call good, expect {differences}, if only by a little."
    ),
    ("none", False, False): N_(
        "Compared with a bow that most players would call good, it probably brings {differences}."
    ),
    ("none", False, True): N_(
        "Compared with a bow that most players would call good, it probably brings {differences}, if only by a little."
    ),
    ("model", True, False): N_("Compared with {model}, expect {differences}."),
    ("model", True, True): N_("Compared with {model}, expect {differences}, if only by a little."),
    ("model", False, False): N_("Compared with {model}, it probably brings {differences}."),
    ("model", False, True): N_("Compared with {model}, it probably brings {differences}, if only by a little."),
    ("dearer", True, False): N_("For {amount} more than {model}, expect {differences}."),
    ("dearer", True, True): N_("For {amount} more than {model}, expect {differences}, if only by a little."),
    ("dearer", False, False): N_("For {amount} more than {model}, it probably brings {differences}."),
    ("dearer", False, True): N_(
        "For {amount} more than {model}, it probably brings {differences}, if only by a little."
    ),
    ("cheaper", True, False): N_("For {amount} less than {model}, expect {differences}."),
    ("cheaper", True, True): N_("For {amount} less than {model}, expect {differences}, if only by a little."),
    ("cheaper", False, False): N_("For {amount} less than {model}, it probably brings {differences}."),
    ("cheaper", False, True): N_(
        "For {amount} less than {model}, it probably brings {differences}, if only by a little."
    ),
}
"""By what it is compared with, whether that is likely (else probable), and whether it is a little only."""

_WHOLE: Mapping[tuple[str, int], str] = {
    ("rated", 1): N_("No single strength stands out; as a whole you would probably like it better than your own bow."),
    ("rated", 0): N_("No single strength stands out; as a whole you would like it about as much as your own bow."),
    ("rated", -1): N_("No single strength stands out; as a whole you would probably like your own bow better."),
    ("unrated", 1): N_(
        "No single strength stands out; as a whole you would probably like it better than most players like their own bow."
    ),
    ("unrated", 0): N_(
        "No single strength stands out; as a whole you would like it about as much as most players like their own bow."
    ),
    ("unrated", -1): N_(
        "No single strength stands out; as a whole you would probably like it less than most players like their own bow."
    ),
    ("none", 1): N_(
        "No single strength stands out; as a whole it is probably better than a bow most players would call good."
    ),
    ("none", 0): N_(
        "No single strength stands out; as a whole it is about as good as a bow most players would call good."
    ),
    ("none", -1): N_("No single strength stands out; as a whole most players would not quite call it good."),
}
"""By what it is compared with, and whether it is liked better (1), alike (0) or less (-1)."""


def sentence(told: Told, entry: Entry, doc: Document) -> str:
    """Return one reason or weakness of an entry as a sentence of its own."""
    if "criterion" in told:
        return _differences([told], entry, doc)
    return _fact(told, entry, doc)


def why(entry: Entry, doc: Document) -> str:
    """Return why a tier is in the list, its weaknesses told too; never empty."""
    return " ".join(_sentences(entry["reasons"], entry, doc))


def whys(doc: Document, *, beside_table: bool = False) -> list[list[str]]:
    """Return why each tier is in the list, in sentences of which none is said twice: what holds of another too names it.

    ``beside_table``: a table beside it has the maker's words and the weight, so that they are left out here.
    """
    alike = _("As with {models}: {sentence}")
    said: dict[str, list[str]] = {}
    told = []
    for entry in doc["shortlist"]:
        reasons = [one for one in entry["reasons"] if not (beside_table and _is_in_table(one))]
        sentences = _sentences(reasons, entry, doc)
        told.append(
            [
                alike.format(models=formats.listed(said[one]), sentence=formats.within(one)) if one in said else one
                for one in sentences
            ]
        )
        for one in sentences:
            said.setdefault(one, []).append(entry["name"])
    return told


def _is_in_table(told: Told) -> bool:
    fact = told.get("fact")
    return fact == "note" or (fact == "mass" and told.get("against") != OWN_BOW)


def _sentences(reasons: Sequence[Told], entry: Entry, doc: Document) -> list[str]:
    told = reasons or [_as_a_whole(doc)]
    return [*_grouped(told, entry, doc), *_drawbacks(told, entry, doc), *_worth_comparing(told, entry, doc)]


def _is_to_compare(entry: Entry, doc: Document) -> bool:
    """Say whether bows of a tier are the first to be played so that others are heard beside them."""
    compared = [one["tier"] for one in doc["shortlist"] if one["copies"] and one["role"] == Role.CONTRAST]
    return advises(doc) and compared[:1] == [entry["tier"]]


def _worth_comparing(told: Sequence[Told], entry: Entry, doc: Document) -> Iterator[str]:
    """Say what a cheaper tier is played for, where no other sentence has its price."""
    main = main_entry(doc)
    if main is None or not _is_to_compare(entry, doc) or any(one.get("against") == main["tier"] for one in told):
        return
    if entry["currency"] == main["currency"] and entry["price"] < main["price"]:
        yield _price(entry["price"] - main["price"], main["tier"], entry, doc)


def _as_a_whole(doc: Document) -> Told:
    """Return what can be said where nothing else is, as in documents of before reasons were always told."""
    return {"fact": "whole", "against": None if doc["own_bow"]["state"] == "none" else OWN_BOW, "effect": 0.0}


def _grouped(reasons: Sequence[Told], entry: Entry, doc: Document) -> Iterator[str]:
    """Give a sentence for each kind of reason: differences from the same bow stand in one, the price with them."""
    priced = {told.get("against") for told in reasons if "criterion" in told}
    for (criterion, _against, _sure), group in groupby(reasons, _kind):
        together = list(group)
        if criterion:
            yield _differences(together, entry, doc)
        else:
            yield from (
                _fact(told, entry, doc)
                for told in together
                if not (told["fact"] == "price" and told["against"] in priced)
            )


def _kind(told: Told) -> tuple[bool, str, str]:
    if "criterion" not in told:
        return (False, "", "")
    return (True, told.get("against", OWN_BOW) or "", told.get("sure", "likely"))


def _differences(together: Sequence[Told], entry: Entry, doc: Document) -> str:
    first = together[0]
    reference = first.get("against", OWN_BOW)
    likely = first.get("sure", "likely") == "likely"
    small = max(abs(told["effect"]) for told in together) < SMALL
    kind, values = _compared_with(reference, entry, doc)
    named = formats.listed([difference(told["criterion"], told["effect"]) for told in together])
    return _(_FRAMES[kind, likely, small]).format(differences=named, **values)


def difference(criterion: str, effect: float) -> str:
    """Return what an advantage (or, below 0, a drawback) on a criterion is: 'a quicker response', 'a slower response'."""
    words = phrases.DIFFERENCES[Criterion(criterion)]
    return _(words.more if effect >= 0 else words.less)


def _compared_with(against: str | None, entry: Entry, doc: Document) -> tuple[str, dict[str, str]]:
    """Return which frame a difference stands in, with the neighbour's name and how much dearer or cheaper the entry is."""
    if against is None or against == OWN_BOW:
        return doc["own_bow"]["state"], {}
    other = next((one for one in doc["shortlist"] if one["tier"] == against), None)
    if other is None:
        return "model", {"model": against}
    more = entry["price"] - other["price"]
    if other["currency"] != entry["currency"] or not more:
        return "model", {"model": other["name"]}
    amount = formats.money(abs(more), entry["currency"])
    return ("dearer" if more > 0 else "cheaper"), {"model": other["name"], "amount": amount}


def _fact(told: Told, entry: Entry, doc: Document) -> str:
    effect, reference = told["effect"], told.get("against")
    match told["fact"]:
        case "price":
            return _price(effect, reference, entry, doc)
        case "note":
            return _("In its maker’s words: “{note}.”").format(note=str(entry["note"]).strip().rstrip("."))
        case "mass":
            return _mass(effect, reference, entry, doc)
        case _:
            state, odds = doc["own_bow"]["state"], formats.odds(entry["beats_own_bow"])
            return _(_WHOLE[state, odds])


def _price(effect: float, against: str | None, entry: Entry, doc: Document) -> str:
    _kind_of, values = _compared_with(against, entry, doc)
    amount = formats.money(abs(effect), entry["currency"])
    if effect > 0:
        sentence = _("It costs {amount} more than {model}.")
    elif _is_to_compare(entry, doc):
        sentence = _("It costs {amount} less than {model}: play both, and hear what the difference buys.")
    else:
        sentence = _("It costs {amount} less than {model}.")
    return sentence.format(**{**values, "amount": amount})


def _mass(effect: float, against: str | None, entry: Entry, doc: Document) -> str:
    typical = entry.get("mass_g")
    if against != OWN_BOW:
        return _("Its bows typically weigh {mass}.").format(mass=formats.grams(effect if typical is None else typical))
    grams = formats.grams(abs(effect))
    if abs(effect) < SAME_MASS_G:
        return _("Its bows typically weigh about as much as yours.")
    wish = (doc["answers"].get("wishes") or {}).get("mass") or 0
    if effect < 0:
        sentence = (
            _("Its bows are typically {mass} lighter than yours, though you asked for a heavier one.")
            if wish > 0
            else _("Its bows are typically {mass} lighter than yours.")
        )
    else:
        sentence = (
            _("Its bows are typically {mass} heavier than yours, though you asked for a lighter one.")
            if wish < 0
            else _("Its bows are typically {mass} heavier than yours.")
        )
    return sentence.format(mass=grams)


_DRAWBACKS: Mapping[tuple[str, bool], str] = {
    ("", True): N_("On the other hand, expect {differences}."),
    ("", False): N_("On the other hand, it probably brings {differences}."),
    ("rated", True): N_("Compared with your own bow, though, expect {differences}."),
    ("rated", False): N_("Compared with your own bow, though, it probably brings {differences}."),
    ("unrated", True): N_("Compared with a bow such as most players own, though, expect {differences}."),
    ("unrated", False): N_("Compared with a bow such as most players own, though, it probably brings {differences}."),
    ("none", True): N_("Compared with a bow that most players would call good, though, expect {differences}."),
    ("none", False): N_(
        "Compared with a bow that most players would call good, though, it probably brings {differences}."
    ),
}
"""By what it is compared with (empty: what the sentence before compares with), and whether that is likely."""


def _drawbacks(reasons: Sequence[Told], entry: Entry, doc: Document) -> Iterator[str]:
    """Say what the player asked for and gets less of than with the own bow; named, where the sentence before is of another."""
    last = reasons[-1]
    of_own = ("criterion" in last or last["fact"] == "whole") and last.get("against", OWN_BOW) in (OWN_BOW, None)
    kind = "" if of_own else doc["own_bow"]["state"]
    for likely in (True, False):
        worse = [
            difference(told["criterion"], told["effect"])
            for told in entry.get("weaknesses", ())
            if (told.get("sure", "likely") == "likely") is likely
        ]
        if worse:
            yield _(_DRAWBACKS[kind, likely]).format(differences=formats.listed(worse))
            kind = ""

"""The forms by which the stock is cared for: a bow added or corrected, a tier's price."""

from collections.abc import Iterable, Mapping
from typing import Any

from model.domain.vocabulary import Hold
from service.core import formats, phrases
from service.core.language import N_, _
from service.inventory.care import TierChoice, TierPrices
from service.trials import desk_words
from service.web.desk_forms import FormShown, address, faults, plain_options
from service.web.page_data import FormPage, Option, Typed

NEW = "/desk/bows/new"
NAMES: Mapping[str, str] = {
    "copy": N_("Serial"),
    "tier": N_("Model"),
    "hold": N_("Hold"),
    "dealer": N_("At"),
    "status": N_("Status"),
    "materials": N_("Materials"),
    "insured_value": N_("Insured value"),
    "haired": N_("Day of its hair"),
    "date": N_("Day of its hair"),
    "price": N_("Price"),
    "currency": N_("Currency"),
    **desk_words.QUANTITIES,
}


def measures(names: Iterable[str]) -> tuple[tuple[str, str, str], ...]:
    """Return the fields of some quantities: name, label, and unit where there is one."""
    return tuple((name, _(desk_words.QUANTITIES[name]), desk_words.UNITS[name].removeprefix("1")) for name in names)


def bow_form(title: str, action: str, form: FormShown, tiers: Iterable[TierChoice]) -> tuple[FormPage, dict[str, Any]]:
    """Return the form of one bow, new or known, and what may be chosen in it."""
    typed, wrong = Typed(form.fields, form.problems), faults(form.problems, NAMES, {})
    page = FormPage(title=title, action=action, typed=typed, faults=wrong)
    offered = tuple(Option(tier.slug, _tier(tier)) for tier in tiers)
    holds = (
        Option("", _("none: not a double bass")),
        *plain_options({hold: phrases.HOLDS[hold] for hold in (Hold.GERMAN, Hold.FRENCH)}),
    )
    return page, {"tiers": (Option("", _("choose")), *offered), "holds": holds}


def _tier(tier: TierChoice) -> str:
    return formats.labelled(formats.capital(_(phrases.INSTRUMENTS[tier.instrument])), tier.name)


def price_form(prices: TierPrices, form: FormShown, *, own: bool) -> FormPage:
    """Return the form of a tier's price; ``own``: of the tier's own price, not of a dealer's."""
    stored = (prices.price, prices.price_currency) if own else (prices.dealers_price, prices.dealers_currency)
    usual = {"price": [stored[0]], "currency": [stored[1] or prices.currency], "seen": ["|".join(stored)]}
    return FormPage(
        title=_("The price of {tier}").format(tier=prices.name),
        action=address("bows", "prices", prices.tier),
        typed=Typed({**usual, **{name: values for name, values in form.fields.items() if values}}, form.problems),
        faults=faults(form.problems, NAMES, {}),
    )


def price_of_all(prices: TierPrices) -> str:
    """Say what the tier costs where no dealer has a price of their own."""
    if not prices.price:
        return _("The model has no price of its own yet.")
    money = formats.money(float(prices.price), prices.price_currency)
    return _("The model’s own price is {price}.").format(price=money)

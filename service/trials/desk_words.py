"""The desk's words: states, places, statuses, events, outcomes and flags, each table complete; a test walks through them."""

from collections.abc import Mapping

from model.domain.vocabulary import Blinding, EventKind, OutcomeKind, Place
from service import tables
from service.core.language import N_, _

STATES: Mapping[str, str] = {
    "planned": N_("planned"),
    "open": N_("being played"),
    "closed": N_("ended"),
    "cancelled": N_("cancelled"),
}
PLACES: Mapping[str, tuple[str, str]] = {
    Place.SHOP: (N_("In the shop"), N_("you hand the bows over one by one")),
    Place.POST: (N_("By post"), N_("a parcel goes out, and must come back")),
}
BLINDINGS: Mapping[str, tuple[str, str]] = {
    Blinding.BLIND: (N_("Blind"), N_("handed over unseen: dark glasses or a dim room, the stamp covered")),
    Blinding.MASKED: (N_("Masked"), N_("the player sees the bow, but not which one it is; usual by post")),
    Blinding.OPEN: (N_("Open"), N_("the player knows which bow it is")),
}
UNITS: Mapping[str, str] = {name: unit.replace("m2", "m²") for name, unit in tables.QUANTITIES.items()}
"""The unit of each quantity as it is shown; '1': it has none."""
_PLACED: Mapping[str, str] = {Place.SHOP: N_("in the shop"), Place.POST: N_("by post")}
_BLINDED: Mapping[str, str] = {Blinding.BLIND: N_("blind"), Blinding.MASKED: N_("masked"), Blinding.OPEN: N_("open")}
STATUSES: Mapping[str, str] = {
    "in_stock": N_("in stock"),
    "reserved": N_("set aside"),
    "on_trial": N_("on trial"),
    "in_transit": N_("on its way"),
    "in_repair": N_("in repair"),
    "sold": N_("sold"),
    "withdrawn": N_("withdrawn"),
}
EVENTS: Mapping[str, str] = {
    EventKind.REHAIRED: N_("rehaired"),
    EventKind.RECAMBERED: N_("recambered"),
    EventKind.REPAIRED: N_("repaired"),
    EventKind.MOVED: N_("moved"),
}
OUTCOMES: Mapping[str, str] = {
    OutcomeKind.KEPT: N_("kept"),
    OutcomeKind.MORE_ASKED: N_("more bows asked for"),
    OutcomeKind.NONE: N_("nothing kept"),
    OutcomeKind.RETURNED: N_("kept first, then returned"),
}
REASONS: Mapping[str, str] = {
    "price": N_("the price"),
    "sound": N_("the sound"),
    "handling": N_("the handling"),
    "undecided": N_("not decided"),
    "other": N_("something else"),
}
FLAGS: Mapping[str, str] = {
    "conflict": N_(
        "Two sheets came for this place under the same number, and they differ. Both are kept; the first one counts."
    ),
    "late": N_("It came after the trial was closed. It is kept, and counts."),
    "overdue": N_("It was rated after the day by which the bows were due. It is kept, and counts."),
    "after_reveal": N_("It was changed after the key was revealed. It is kept, but the blind one counts."),
    "unknown_letter": N_("Its letter is not one of this trial. It is kept, but does not count."),
    "other_device": N_(
        "It came from a second screen for a place already filled in. It is kept, but does not count until you choose it."
    ),
    "clock": N_(
        "The clock of the screen is more than ten minutes off. The sheet counts; its time is not to be relied on."
    ),
    "cancelled": N_("It came after the trial was cancelled. It is kept, but does not count."),
}
"""What is odd about a sheet, a sentence or two each."""
RATERS: Mapping[str, str] = {"player": N_("player"), "listener": N_("listener")}
QUANTITIES: Mapping[str, str] = {
    "mass_g": N_("Mass"),
    "length_mm": N_("Length"),
    "balance_mm": N_("Balance point, from the frog’s hair end"),
    "stiffness_n_per_m": N_("Stiffness"),
    "speed_of_sound_m_s": N_("Speed of sound"),
    "loss_factor": N_("Loss factor"),
    "swing_inertia_kg_m2": N_("Swing inertia"),
    "swing_period_s": N_("Time of one whole swing"),
    "pivot_to_balance_mm": N_("From the pivot of the swing to the balance point"),
    "load_n": N_("Load in the middle"),
    "deflection_mm": N_("Deflection under the load"),
    "span_mm": N_("Distance of the two supports"),
    "stick_mass_g": N_("Mass of the bare stick"),
    "stick_length_mm": N_("Length of the bare stick"),
    "outer_mm": N_("Outer diameter"),
    "inner_mm": N_("Inner diameter"),
    "longitudinal_hz": N_("Longitudinal frequency"),
    "bending_hz": N_("Bending frequency"),
    "decay_hz": N_("Frequency of what dies away"),
    "decay_60db_s": N_("Time to fall by 60 dB"),
    "log_decrement": N_("Logarithmic decrement"),
    "frog_mass_g": N_("Mass of frog and screw"),
    "hair_mass_g": N_("Mass of the hair"),
    "hair_length_mm": N_("Free length of the hair"),
}


def word(table: Mapping[str, str], value: str | None) -> str:
    """Return the word for ``value``, 'not known' where there is none."""
    return _(table[value]) if value is not None else _("not known")


def place(value: str | None) -> str:
    """Return where a trial takes place, within a sentence: 'in the shop'."""
    return _(_PLACED[value]) if value is not None else _("place not known")


def blinding(value: str | None) -> str:
    """Return how much the player knows, within a sentence: 'blind'."""
    return _(_BLINDED[value]) if value is not None else _("blinding not known")


def flags(names: tuple[str, ...]) -> tuple[str, ...]:
    """Return a sentence for each flag of a sheet."""
    return tuple(_(FLAGS[name]) for name in names)

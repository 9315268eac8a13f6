"""A short name for each answer, for whoever is told what it did."""

from collections.abc import Mapping

from service.core.language import N_

ANSWERS: Mapping[str, str] = {
    "settings": N_("Where and what you play"),
    "priorities": N_("What matters most to you"),
    "wish_mass": N_("Lighter or heavier"),
    "wish_tone": N_("Warmer or brighter"),
    "own_bow": N_("That you have no bow"),
    "own_bow_ratings": N_("Your marks for your own bow"),
    "own_bow_mass": N_("The weight of your own bow"),
    "own_bow_kind": N_("What your own bow is made of"),
    "tried": N_("The bows you have played"),
    "budget": N_("Your budget"),
    "minutes": N_("Your time"),
    "place": N_("In the shop or by post"),
    "strings": N_("How many strings you play"),
    "string_length_mm": N_("The length of your strings"),
}
"""A short name for each answer; every answer that the advice may tell of has one."""

"""A short name for each answer, for whoever is told what it did."""

from collections.abc import Mapping

from service.core.language import N_
from service.questionnaire.questions import QUESTIONS

ANSWERS: Mapping[str, str] = {
    "settings": N_("Where and what you play"),
    "priorities": N_("What matters most to you"),
    "wish_mass": N_("Lighter or heavier"),
    "wish_tone": N_("Warmer or brighter"),
    "own_bow": N_("That you have no bow"),
    "own_bow_ratings": N_("Your marks for your own bow"),
    "own_bow_mass": N_("The weight of your own bow"),
    "tried": N_("The bows you have played"),
    "budget": N_("Your budget"),
    "minutes": N_("Your time"),
    "place": N_("In the shop or by post"),
    **{each.code: each.asked.adviser for each in QUESTIONS if each.asked.adviser},
}
"""A short name for each answer; every answer that the advice may tell of has one."""

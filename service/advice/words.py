"""Every sentence about an advice: page, JSON and mail read the same stored document and say the same words."""

from service.advice.differing import difference_words
from service.advice.entries import (
    above_budget,
    at_the_workshop,
    bring_words,
    role_words,
    tried_besides,
    tried_here,
    what_more_buys,
)
from service.advice.playing import how_to_try, what_to_play
from service.advice.reasons import difference, why, whys
from service.advice.reasons import sentence as reason_sentence
from service.advice.recommending import recommendation
from service.advice.remarks import cautions, notes, notes_of_page, of_stock, staff_notes
from service.advice.reply import reply
from service.advice.sentences import ground, is_wide, lead, model_is, players, sureness
from service.advice.verdict import Document, advises, behind, chance_words, headline, rests_on_prior
from service.advice.verdict import code as verdict_code

__all__ = [
    "Document",
    "above_budget",
    "advises",
    "at_the_workshop",
    "behind",
    "bring_words",
    "cautions",
    "chance_words",
    "difference",
    "difference_words",
    "ground",
    "headline",
    "how_to_try",
    "is_wide",
    "lead",
    "model_is",
    "notes",
    "notes_of_page",
    "of_stock",
    "players",
    "reason_sentence",
    "recommendation",
    "reply",
    "rests_on_prior",
    "role_words",
    "staff_notes",
    "sureness",
    "tried_besides",
    "tried_here",
    "verdict_code",
    "what_more_buys",
    "what_to_play",
    "why",
    "whys",
]

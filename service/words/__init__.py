"""Every sentence about an advice: page, JSON and mail read the same stored document and say the same words."""

from service.words.playing import how_to_try, what_to_play
from service.words.remarks import cautions, notes
from service.words.reply import reply
from service.words.sentences import (
    Document,
    above_budget,
    bring_words,
    criterion_advantage,
    effect_sentence,
    headline,
    is_wide,
    lead,
    players,
    reason_sentence,
    recommendation,
    rests_on_prior,
    role_words,
    sureness,
    yardstick,
)

__all__ = [
    "Document",
    "above_budget",
    "bring_words",
    "cautions",
    "criterion_advantage",
    "effect_sentence",
    "headline",
    "how_to_try",
    "is_wide",
    "lead",
    "notes",
    "players",
    "reason_sentence",
    "recommendation",
    "reply",
    "rests_on_prior",
    "role_words",
    "sureness",
    "what_to_play",
    "yardstick",
]

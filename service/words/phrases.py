"""The words for instruments, criteria, roles and cautions, each table complete: a test walks through the vocabulary."""

from dataclasses import dataclass

from model.vocabulary import Criterion, Hold, Instrument, Role, Setting
from service.language import N_

INSTRUMENTS: dict[Instrument, str] = {
    Instrument.VIOLIN: N_("violin"),
    Instrument.VIOLA: N_("viola"),
    Instrument.CELLO: N_("cello"),
    Instrument.DOUBLE_BASS: N_("double bass"),
}
PLAYERS: dict[Instrument, str] = {
    Instrument.VIOLIN: N_("violinists"),
    Instrument.VIOLA: N_("violists"),
    Instrument.CELLO: N_("cellists"),
    Instrument.DOUBLE_BASS: N_("bass players"),
}
PLAYERS_BY_HOLD: dict[Hold, str] = {
    Hold.GERMAN: N_("bass players with the German hold"),
    Hold.FRENCH: N_("bass players with the French hold"),
    Hold.EITHER: PLAYERS[Instrument.DOUBLE_BASS],
}
HOLDS: dict[Hold, str] = {
    Hold.GERMAN: N_("German hold"),
    Hold.FRENCH: N_("French hold"),
    Hold.EITHER: N_("German or French hold"),
}
SETTINGS: dict[Setting, str] = {
    Setting.ORCHESTRA: N_("orchestra"),
    Setting.THEATRE: N_("theatre"),
    Setting.CHAMBER: N_("chamber music"),
    Setting.SOLO: N_("solo"),
    Setting.EARLY_MUSIC: N_("early music"),
    Setting.JAZZ: N_("jazz"),
    Setting.FOLK: N_("folk music"),
    Setting.STUDY: N_("study"),
    Setting.TEACHING: N_("teaching"),
}
ROLES: dict[Role, str] = {
    Role.BEST_FIT: N_("Fits you best"),
    Role.BEST_VALUE: N_("Nearly as good, for less"),
    Role.STEP_UP: N_("One step up, to hear what more buys"),
}


@dataclass(frozen=True, slots=True)
class Phrases:
    """One criterion in sentences: as a wish, and as 'likely to …' in both directions, each before 'than your own bow'."""

    wish: str
    more: str
    less: str


CRITERIA: dict[Criterion, Phrases] = {
    Criterion.OVERALL: Phrases(N_("a bow you like as a whole"), N_("please you more"), N_("please you less")),
    Criterion.RESPONSE: Phrases(N_("quick response"), N_("speak sooner"), N_("speak later")),
    Criterion.CLARITY: Phrases(N_("a clear tone"), N_("sound clearer"), N_("carry more bow noise")),
    Criterion.DYNAMIC_RANGE: Phrases(
        N_("a wide dynamic range"), N_("reach further from soft to full"), N_("offer less between soft and full")
    ),
    Criterion.STEADINESS: Phrases(
        N_("a steady stroke"), N_("lie calmer on the string"), N_("lie less calmly on the string")
    ),
    Criterion.OFF_STRING: Phrases(
        N_("an easy bounce off the string"),
        N_("leave the string more readily"),
        N_("leave the string less readily"),
    ),
    Criterion.EASE: Phrases(
        N_("ease for arm and hand"), N_("ask less of arm and hand"), N_("ask more of arm and hand")
    ),
    Criterion.TONE: Phrases(
        N_("the right colour of tone"),
        N_("come closer to the colour you want"),
        N_("stay further from the colour you want"),
    ),
}

YARDSTICKS: dict[str, str] = {
    "rated": N_("than your own bow"),
    "unrated": N_("than the own bow of most players"),
    "none": N_("than a bow that most players would call good"),
}
"""What a tier is compared with, by the state of the own bow."""

CAUTIONS: dict[str, str] = {
    "estimate": N_(
        "This is a statistical estimate from past trials, with its uncertainty; your own hand and ear decide."
    ),
    "pain": N_(
        "Stop at the first pain, tingling or numbness, and rest between sets. Pain that comes back belongs with a physician "
        "or a therapist who knows musicians."
    ),
    "bow_care": N_("Loosen the hair after playing, and never bend a stick by hand to test it."),
    "shipping": N_(
        "Bows may contain protected wood, ivory, tortoiseshell or other listed material, and may need permits to cross a "
        "border (CITES and national law). Ask the competent authority before a bow travels; this is no legal advice."
    ),
    "personal_data": N_(
        "We ask only for what is used, and write to you only if you agreed to it. Local law decides what must be kept and "
        "for how long."
    ),
}
BENCH_CAUTION = N_(
    "A bow under test can snap: wear eye protection. Dust of carbon fibre and of some tropical woods is harmful: follow the "
    "local workplace rules."
)
"""For the bench alone; no page, paper or mail of a player's holds it."""

"""The words for instruments, criteria, roles and cautions, each table complete: a test walks through the vocabulary."""

from dataclasses import dataclass

from model.domain.vocabulary import Criterion, Hold, Instrument, Role, Setting
from service.core.language import N_

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
    Role.CONTRAST: N_("To compare"),
    Role.ENTRY: N_("A first step"),
    Role.SENSIBLE: N_("The sensible step"),
    Role.MOST_LIKED: N_("Liked most, whatever it costs"),
}
NEAREST: dict[str, str] = {
    "curious": N_("Comes nearest to what you look for"),
    "keep": N_("Comes nearest to your own bow"),
    "ask": N_("Would suit you best"),
}
"""The best fit's role by the verdict, where 'fits you best' would promise more than the verdict does."""
WISHES: dict[Criterion, str] = {
    Criterion.OVERALL: N_("a bow you like as a whole"),
    Criterion.RESPONSE: N_("quick response"),
    Criterion.CLARITY: N_("a clear tone"),
    Criterion.DYNAMIC_RANGE: N_("a wide dynamic range"),
    Criterion.STEADINESS: N_("a steady stroke"),
    Criterion.OFF_STRING: N_("an easy bounce off the string"),
    Criterion.EASE: N_("ease for arm and hand"),
    Criterion.TONE: N_("the right colour of tone"),
}
"""What was asked for, after 'you asked for'."""


@dataclass(frozen=True, slots=True)
class Difference:
    """How one bow differs from another on a criterion, both ways; each stands after 'expect' and 'brings'."""

    more: str
    less: str


DIFFERENCES: dict[Criterion, Difference] = {
    Criterion.OVERALL: Difference(N_("a bow you like better"), N_("a bow you like less")),
    Criterion.RESPONSE: Difference(N_("a quicker response"), N_("a slower response")),
    Criterion.CLARITY: Difference(N_("a clearer tone"), N_("more bow noise")),
    Criterion.DYNAMIC_RANGE: Difference(
        N_("a wider range between soft and full"), N_("a narrower range between soft and full")
    ),
    Criterion.STEADINESS: Difference(N_("a steadier stroke"), N_("a less steady stroke")),
    Criterion.OFF_STRING: Difference(N_("an easier bounce off the string"), N_("a less ready bounce off the string")),
    Criterion.EASE: Difference(N_("less work for arm and hand"), N_("more work for arm and hand")),
    Criterion.TONE: Difference(N_("a tone closer to the one you want"), N_("a tone farther from the one you want")),
}

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

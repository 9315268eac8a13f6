"""What to play at the trial, and how to go about it, in the shop or at home (common practice, no source)."""

from collections.abc import Collection

from model.domain.vocabulary import Instrument, Place, Setting
from service.core.language import N_, _

_BEFORE = {
    Place.SHOP: N_("Bring your own instrument and your own rosin."),
    Place.POST: N_("Play your own instrument, with your own rosin, in a room you know."),
}
_TURNS = N_("Take about five minutes for each bow, and play the same music on every one.")
_TURNS_WITH_OWN = N_("Take about five minutes for each bow, the same music on every one, and your own bow among them.")
LISTENING = N_("Then let someone else play those you like best, and listen from across the room.")
RESTING = N_("Rest after forty minutes, and stop after an hour and a quarter: a tired ear tells no bows apart.")

_SOFT = N_("Begin softly, from nothing, on every string: does the note speak at once?")
_LONG = N_("Hold one long note from frog to tip and back, as slowly as it will go: does the bow sit steadily?")
_FULL = N_("Play with the fullest tone you need: does it open, or does it choke?")
_OWN = N_("End with a page of your own, one you know by heart.")

_BOUNCING: dict[Instrument, str] = {
    Instrument.VIOLIN: N_(
        "Play a spiccato and a sautillé passage at the tempo you need: does the bow come off by itself?"
    ),
    Instrument.VIOLA: N_("Play a spiccato passage, on the C string too: does the bow come off by itself?"),
    Instrument.CELLO: N_(
        "Play a spiccato passage, then string crossings over all four strings: does the bow stay with you?"
    ),
    Instrument.DOUBLE_BASS: N_(
        "Play fast detached notes on the lowest string, then a light spiccato: is every note there?"
    ),
}
_ORCHESTRA_WITHOUT_OWN = N_("Play a soft tremolo and the orchestral passage that you find hardest.")
_BY_SETTING: dict[Setting, str] = {
    Setting.ORCHESTRA: N_("Play a soft tremolo and the orchestral passage that your own bow makes hardest for you."),
    Setting.THEATRE: N_("Play quick changes from a whisper to full, as in the pit."),
    Setting.CHAMBER: N_("Play an inner voice that must blend, then the same line as a solo."),
    Setting.SOLO: N_("Play one line that must carry, as if to the last row."),
    Setting.EARLY_MUSIC: N_("Play short, light strokes with a clear end, as dance movements ask for."),
    Setting.JAZZ: N_("Play a swung line with the bow: does it begin cleanly on the off-beat?"),
    Setting.FOLK: N_("Play a dance tune at full tempo, double stops included."),
    Setting.STUDY: N_("Play the study you are working on now: does the bow make it easier?"),
    Setting.TEACHING: N_("Show a pupil’s exercise on it: do simple strokes come out plainly?"),
}
MOST_PASSAGES = 2
"""So many passages of the player's own work are proposed; more would not fit into five minutes."""


def what_to_play(instrument: str, settings: Collection[str] = (), *, own_bow: bool = True) -> tuple[str, ...]:
    """Return what to play on every bow, in order, for an instrument and up to two of the player's settings.

    ``own_bow``: whether the player has one to speak of.
    """
    by_setting = _BY_SETTING if own_bow else _BY_SETTING | {Setting.ORCHESTRA: _ORCHESTRA_WITHOUT_OWN}
    own_work = [text for setting, text in by_setting.items() if setting in settings][:MOST_PASSAGES]
    return tuple(_(text) for text in (_SOFT, _LONG, _BOUNCING[Instrument(instrument)], _FULL, *own_work, _OWN))


def how_to_try(place: str = Place.SHOP, *, own_bow: bool = True) -> tuple[str, ...]:
    """Return how to go about the trial: before, afterwards, and when to rest."""
    turns = _TURNS_WITH_OWN if own_bow else _TURNS
    return tuple(_(text) for text in (_BEFORE[Place(place)], turns, LISTENING, RESTING))

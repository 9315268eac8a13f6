"""What to play at the trial, and how to go about it (common practice, no source)."""

from collections.abc import Collection

from model.domain.vocabulary import Instrument, Setting
from service.core.language import N_, _

PREPARING = (
    N_("Bring your own instrument and your own rosin, and play in a room you know."),
    N_("Take about five minutes for each bow, the same music on every one, and your own bow among them."),
)
LISTENING = N_("Then let someone else play the two or three you like best, and listen from across the room.")
RESTING = N_("Rest after forty minutes, and stop after an hour and a quarter: a tired ear tells no bows apart.")

_SOFT = N_("Begin softly, from nothing, on every string: does the note speak at once?")
_LONG = N_("Hold one long note from frog to tip and back, as slowly as it will go: does the bow lie still?")
_FULL = N_("Play as full as you would ever want to: does the tone open, or does it choke?")
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
_BY_SETTING: dict[Setting, str] = {
    Setting.ORCHESTRA: N_("Play a soft tremolo and the orchestral passage that your own bow makes hardest for you."),
    Setting.THEATRE: N_("Play quick changes from a whisper to full, as in the pit."),
    Setting.CHAMBER: N_("Play an inner voice that must blend, then the same line as a solo."),
    Setting.SOLO: N_("Play one line that must carry, as if to the last row."),
    Setting.EARLY_MUSIC: N_("Play short, light strokes with a clear end, as dance movements ask for."),
    Setting.JAZZ: N_("Play a swung line with the bow: does it begin cleanly on the off-beat?"),
    Setting.FOLK: N_("Play a dance tune at full tempo, double strings included."),
    Setting.STUDY: N_("Play the study you are working on now: does the bow make it easier?"),
    Setting.TEACHING: N_("Show a pupil's exercise on it: do simple strokes come out plainly?"),
}
MOST_PASSAGES = 2
"""So many passages of the player's own work are proposed; more would not fit into five minutes."""


def what_to_play(instrument: str, settings: Collection[str] = ()) -> tuple[str, ...]:
    """Return what to play on every bow, in order, for an instrument and up to two of the player's settings."""
    own_work = [text for setting, text in _BY_SETTING.items() if setting in settings][:MOST_PASSAGES]
    return tuple(_(text) for text in (_SOFT, _LONG, _BOUNCING[Instrument(instrument)], _FULL, *own_work, _OWN))


def how_to_try() -> tuple[str, ...]:
    """Return how to go about the trial: before, afterwards, and when to rest."""
    return tuple(_(text) for text in (*PREPARING, LISTENING, RESTING))

"""The words of the tablet, the phone and the listener's sheet.

What the screens' script says stands in `SAID` and `COUNTED`; the page hands it over in the reader's language, so that the script
holds no sentence of its own.
"""

from model.domain.vocabulary import CARRYING, Criterion, Scale
from service.core.language import N_, _

LISTENED = (Criterion.OVERALL, Criterion.TONE, Criterion.CLARITY)
"""What a listener across the room can tell; carrying comes last."""
LISTENER_WORDS: dict[str, Scale] = {
    Criterion.OVERALL: Scale(
        N_("Overall"),
        N_("As a whole, how do you like what you hear?"),
        N_("not for this player"),
        N_("the one to take"),
    ),
    Criterion.TONE: Scale(N_("Tone"), N_("How do you like the colour?"), N_("not at all"), N_("very much")),
    Criterion.CLARITY: Scale(N_("Clarity"), N_("How much bow noise reaches you?"), N_("mostly noise"), N_("all tone")),
    CARRYING: Scale(N_("Carrying"), N_("Is it heard across the room?"), N_("lost half-way"), N_("fills the room")),
}
LISTENER_NOTES = (
    N_("Sit ten to twenty-five metres away, and keep the same seat for every bow."),
    N_("Look away while a bow is handed over, and do not talk about the bows before the end."),
)

SAID: dict[str, str] = {
    "offline": N_("No network."),
    "revoked": N_(
        "This tablet is no longer enrolled here. What waits stays on it: save it to a file, or ask at the desk for a new code."
    ),
    "refused": N_("Something that waits was not taken: {reason} It stays here and can be saved to a file."),
    "bow": N_("Bow {place} of {all}"),
    "next_bow": N_("Next bow: {letter}"),
    "next_own": N_("Next: your own bow"),
    "next_own_listener": N_("Next: the player’s own bow"),
    "last": N_("Finish"),
    "lettered": N_("Bow {letter}"),
    "stroke": N_("Stroke {place} of {all}"),
    "clean": N_("{clean} of {played} strokes clean"),
    "probe_next": N_("Go on with the strokes"),
    "probe_again": N_("Look at the strokes again"),
    "needed": N_("Say first how you like it as a whole, or that you cannot tell."),
    "step": N_("{number} of 7"),
    "trial_for": N_("Trial {number}, {name}"),
    "trial": N_("Trial {number}"),
    "pairs": N_("two bows, pair by pair"),
    "pair": N_("Pair {number}"),
    "no_trials": N_("No trial is open just now. One that is opened at the desk shows here by itself."),
    "no_network_list": N_("The list of open trials needs the network; it comes back by itself."),
    "no_network_open": N_("This trial was not opened on this tablet yet, and that needs the network once."),
    "no_network_page": N_("The questions need the network. Please try again in a moment."),
    "unreadable": N_("The service did not answer as expected. Please try again."),
    "bad_code": N_("This code is not valid, or was used already. Ask at the desk for a new one."),
    "too_often": N_("Too many codes were tried. Please wait a minute."),
    "insecure": N_(
        "This address is not secure, so a browser keeps nothing safe for it. Please open the tablet’s page by https."
    ),
    "not_kept": N_(
        "This device could not keep what was just entered. Please call the adviser, and go on with printed sheets."
    ),
    "no_storage": N_(
        "This browser keeps nothing here (a private window?), so a trial cannot be kept safe. Please open an ordinary window."
    ),
    "all_rated": N_("Every bow of this trial is rated already."),
    "saved": N_("Saved to the file {name}. What waits stays here until it is sent."),
    "not_revealed": N_("It is not revealed yet which bow was which. Ask your adviser, then try again."),
    "not_here": N_("There is no such trial here any more."),
}
COUNTED: dict[str, tuple[str, str]] = {
    "waiting": (
        N_("{count} sheet waits on this device; it is safe."),
        N_("{count} sheets wait on this device; they are safe."),
    ),
    "missing": (
        N_("{count} stroke is not played yet. It can be left so."),
        N_("{count} strokes are not played yet. They can be left so."),
    ),
    "left": (N_("about {count} minute left"), N_("about {count} minutes left")),
    "bows": (
        N_("You rate {count} bow. It has a letter that tells nothing: what it is, is said at the end."),
        N_(
            "You rate {count} times. Each bow has a letter that tells nothing: which is which is said when all are rated."
        ),
    ),
}


def of_script() -> dict[str, str | list[str]]:
    """Return every text that a script says, in the reader's language; a counted one as [one, many]."""
    counted = {name: [_(one), _(many)] for name, (one, many) in COUNTED.items()}
    return {name: _(text) for name, text in SAID.items()} | counted

"""The catalogue of what is put on record: every event with its sentence and with who brings it about.

An event's sentence is what the database keeps, so it is never reworded: entries of years ago are read by it.
"""

from dataclasses import dataclass

from service.core.language import N_

STAFF = "staff"
"""One of the staff, signed in; the only ones whose account an entry names."""
STRANGER = "stranger"
"""Somebody who is not signed in: at the sign-in, or a player by a link of their own."""
DEALERS_SERVER = "server"
"""A dealer's own server, by a key."""
COMMAND = "command"
"""Whoever runs a command."""
SERVICE = "service"
"""The service, of its own accord."""

WRITERS = {
    STAFF: N_("the staff"),
    STRANGER: N_("nobody signed in"),
    DEALERS_SERVER: N_("a dealer’s server"),
    COMMAND: N_("the command line"),
    SERVICE: N_("the service itself"),
}
"""Who brings an event about, in words."""

THINGS = {
    "address": N_("address"),
    "backup": N_("backup"),
    "clock": N_("clock"),
    "copy": N_("copy"),
    "dealer": N_("dealer"),
    "enquiry": N_("enquiry"),
    "files": N_("files"),
    "key": N_("key"),
    "list": N_("list"),
    "model": N_("model"),
    "outbox": N_("outbox"),
    "password": N_("password"),
    "person": N_("person"),
    "persons": N_("persons"),
    "player": N_("player"),
    "tablet": N_("tablet"),
    "tablets": N_("tablets"),
    "tier": N_("tier"),
    "trial": N_("trial"),
    "user": N_("user"),
}
"""What an entry is about, as the database has it before a key or alone, in words."""


@dataclass(frozen=True, slots=True)
class AuditEvent:
    """One kind of thing that is put on record."""

    name: str  # for programs: small letters and underscores
    did: str  # what was done, in English, as a verb with its object: 'opened a trial'. Kept in the database.
    by: frozenset[str]  # which of `WRITERS` bring it about


CATALOGUE: dict[str, AuditEvent] = {}
"""Every event, by name."""


def _event(name: str, did: str, *by: str) -> AuditEvent:
    event = AuditEvent(name, did, frozenset(by))
    if name in CATALOGUE or any(known.did == did for known in CATALOGUE.values()):
        raise ValueError(f"{name}: this name or this sentence is an event's already")
    CATALOGUE[name] = event
    return event


# Accounts and sessions
ACCOUNT_MADE = _event("account_made", N_("made an account"), STAFF, COMMAND)
ROLE_SET = _event("role_set", N_("set an account’s role"), STAFF, COMMAND)
PASSWORD_LINK_MADE = _event("password_link_made", N_("made a link to set a password"), STAFF, COMMAND)
PASSWORD_SET = _event("password_set", N_("set the password"), STAFF)
PASSWORD_CHANGED = _event("password_changed", N_("changed the password"), STAFF)
ACCOUNT_DISABLED = _event("account_disabled", N_("disabled an account"), STAFF, COMMAND)
SESSIONS_ENDED = _event("sessions_ended", N_("ended all sessions of an account"), STAFF)
OTHER_SESSIONS_ENDED = _event("other_sessions_ended", N_("ended all other sessions of their own"), STAFF)
SESSION_ENDED = _event("session_ended", N_("ended one session of their own"), STAFF)
BROWSER_FORGOTTEN = _event("browser_forgotten", N_("had a known browser forgotten"), STAFF)
PASSWORD_LINK_ASKED = _event("password_link_asked", N_("was sent a link to set a password"), STRANGER)
FACTOR_SET = _event("factor_set", N_("set up a second factor"), STAFF)
FACTOR_REPLACED = _event("factor_replaced", N_("set up another second factor"), STAFF)
FACTOR_REMOVED = _event("factor_removed", N_("removed the second factor"), STAFF)
FACTOR_RESET = _event("factor_reset", N_("reset the second factor of an account"), COMMAND)
RECOVERY_CODES_MADE = _event("recovery_codes_made", N_("made new recovery codes"), STAFF)
RECOVERY_CODE_USED = _event("recovery_code_used", N_("used a recovery code"), STAFF)
CODE_REFUSED = _event("code_refused", N_("refused a code of the second factor"), STRANGER)
SIGNED_IN = _event("signed_in", N_("signed in"), STAFF)
SIGNED_OUT = _event("signed_out", N_("signed out"), STAFF)
SIGN_IN_REFUSED = _event("sign_in_refused", N_("refused a sign-in"), STRANGER)
ACCESS_REFUSED = _event("access_refused", N_("was refused something that is not open to them"), STAFF)

# Dealers, tablets, keys, websites, mail
DEALER_MADE = _event("dealer_made", N_("made a dealer"), COMMAND)
DEALER_COMPLETED = _event("dealer_completed", N_("completed a dealer"), COMMAND)
TABLET_CODE_MADE = _event("tablet_code_made", N_("made a code for a tablet"), STAFF)
TABLET_ENROLLED = _event("tablet_enrolled", N_("enrolled a tablet"), STAFF)
TABLET_REVOKED = _event("tablet_revoked", N_("revoked a tablet"), STAFF)
TABLET_FILE_LOADED = _event("tablet_file_loaded", N_("loaded a tablet’s file"), STAFF)
KEY_MADE = _event("key_made", N_("made a key"), STAFF)
KEY_REVOKED = _event("key_revoked", N_("revoked a key"), STAFF)
SIGNING_KEY_MADE = _event("signing_key_made", N_("made a new key for links and forms"), COMMAND)
SIGNING_KEY_RETIRED = _event("signing_key_retired", N_("retired a key of links and forms"), COMMAND)
CALENDAR_DRAWN = _event("calendar_drawn", N_("gave the calendar an address"), STAFF)
CALENDAR_REVOKED = _event("calendar_revoked", N_("revoked the calendar’s address"), STAFF)
SHOP_CARD_SET = _event("shop_card_set", N_("set what players are told of the shop"), STAFF)
ZONE_SET = _event("zone_set", N_("set the shop’s time zone"), STAFF)
WEBSITE_SET = _event("website_set", N_("set up a website"), STAFF)
MESSAGES_SET = _event("messages_set", N_("set where messages go"), STAFF)
MESSAGE_SECRET_RENEWED = _event("message_secret_renewed", N_("renewed the secret of messages"), STAFF)
LOGO_SET = _event("logo_set", N_("set a logo"), STAFF)
LOGO_TAKEN_AWAY = _event("logo_taken_away", N_("took a logo away"), STAFF)
SENT_AGAIN = _event("sent_again", N_("sent something again"), STAFF)
ADDRESS_BOUNCES = _event("address_bounces", N_("marked an address as bouncing"), STAFF)
ADDRESS_OPEN = _event("address_open", N_("let mail go to an address again"), STAFF)

# Enquiries and trials
ENQUIRY_TAKEN = _event("enquiry_taken", N_("took an enquiry of no dealer"), STAFF)
ENQUIRY_PUT_ASIDE = _event("enquiry_put_aside", N_("put an enquiry aside"), STAFF)
TRIAL_COMPOSED = _event("trial_composed", N_("composed a trial"), STAFF, DEALERS_SERVER)
TRIAL_MOVED = _event("trial_moved", N_("moved a trial to another day"), STAFF)
TRIAL_OPENED = _event("trial_opened", N_("opened a trial"), STAFF, DEALERS_SERVER)
BOWS_CHANGED = _event("bows_changed", N_("changed the bows of a trial"), STAFF)
MATERIALS_CONFIRMED = _event("materials_confirmed", N_("confirmed the materials of a parcel"), STAFF)
PARCEL_SENT = _event("parcel_sent", N_("sent a parcel"), STAFF)
PARCEL_DESCRIBED = _event("parcel_described", N_("said where a parcel goes"), STAFF)
PARCEL_ARRIVED = _event("parcel_arrived", N_("noted that a parcel arrived"), STAFF)
LOAN_EXTENDED = _event("loan_extended", N_("let bows stay with a player longer"), STAFF)
BOWS_TAKEN_BACK = _event("bows_taken_back", N_("took bows back"), STAFF)
TRIAL_CLOSED = _event("trial_closed", N_("closed a trial"), STAFF)
TRIAL_REOPENED = _event("trial_reopened", N_("opened a closed trial again"), STAFF)
TRIAL_CANCELLED = _event("trial_cancelled", N_("cancelled a trial"), STAFF)
LETTERS_REVEALED = _event("letters_revealed", N_("revealed the letters of a trial"), STAFF)
HEAD_TO_HEAD_BEGUN = _event("head_to_head_begun", N_("began a head-to-head"), STAFF)
HEAD_TO_HEAD_ENDED = _event("head_to_head_ended", N_("ended a head-to-head"), STAFF)
SEAT_OPENED = _event("seat_opened", N_("opened a link"), STAFF)
SHEET_CHOSEN = _event("sheet_chosen", N_("chose a sheet"), STAFF)
SHEETS_TYPED = _event("sheets_typed", N_("typed in sheets of paper"), STAFF)
OUTCOME_RECORDED = _event("outcome_recorded", N_("recorded what came of a trial"), STAFF, STRANGER, DEALERS_SERVER)
OUTCOME_CORRECTED = _event("outcome_corrected", N_("corrected what came of a trial"), STAFF)

# Stock
STATUS_CHANGED = _event("status_changed", N_("changed a bow's status"), STAFF)
BOW_MOVED = _event("bow_moved", N_("moved a bow"), STAFF)
BOW_WORKED_ON = _event("bow_worked_on", N_("recorded what was done to a bow"), STAFF)
BOW_MEASURED = _event("bow_measured", N_("recorded readings of a bow at the bench"), STAFF)
READING_REMOVED = _event("reading_removed", N_("took back a reading of a bow"), STAFF)
BOW_ADDED = _event("bow_added", N_("added a bow to the stock"), STAFF)
BOW_CORRECTED = _event("bow_corrected", N_("corrected what is known of a bow"), STAFF)
BOW_REMOVED = _event("bow_removed", N_("took a bow out that was added by mistake"), STAFF)
BOW_RECORD_REMOVED = _event("bow_record_removed", N_("took back what was recorded of a bow"), STAFF)
PRICE_SET = _event("price_set", N_("set a model’s price"), STAFF)

# Range
TIER_DESCRIBED = _event("tier_described", N_("said what a model is meant to be"), STAFF)

# Model and data
FIT_ASKED = _event("fit_asked", N_("asked for a fit of our estimate"), STAFF)
MODEL_ADOPTED = _event("model_adopted", N_("put a version of our estimate in use"), COMMAND)
DATA_LOADED = _event("data_loaded", N_("loaded files"), COMMAND, STAFF)
DATA_DUMPED = _event("data_dumped", N_("wrote range and history to files"), COMMAND)
BACKED_UP = _event("backed_up", N_("wrote a backup"), COMMAND)
DEALER_ERASED = _event("dealer_erased", N_("erased a dealer with all that was theirs"), COMMAND)
RESTORED = _event("restored", N_("restored a backup"), COMMAND)

# Persons
LIST_GIVEN = _event("list_given", N_("saved a list with names as a file"), STAFF)
PERSONS_DATA_GIVEN = _event("persons_data_given", N_("handed out a person’s data"), STAFF, STRANGER)
RATINGS_MAY_HELP = _event("ratings_may_help", N_("let ratings help to advise others"), STAFF, STRANGER)
RATINGS_MAY_NOT_HELP = _event("ratings_may_not_help", N_("kept ratings from helping to advise others"), STAFF, STRANGER)
PLAYER_NOTED = _event("player_noted", N_("changed the note on a player"), STAFF)
PLAYERS_JOINED = _event("players_joined", N_("joined two players as one person"), STAFF)
PLAYERS_PARTED = _event("players_parted", N_("parted two players who had been joined"), STAFF)
ENQUIRY_GIVEN = _event("enquiry_given", N_("said whose an enquiry is"), STAFF)
ENQUIRY_TAKEN_AWAY = _event("enquiry_taken_away", N_("took back whose an enquiry is"), STAFF)
PERSON_ERASED = _event("person_erased", N_("erased a person’s data"), STAFF, STRANGER, SERVICE)

# Erasing by age
CLOCK_CONFIRMED = _event("clock_confirmed", N_("said that the clock is right"), STAFF, COMMAND)
ERASING_ALLOWED = _event("erasing_allowed", N_("let those be erased whose time is over"), STAFF, COMMAND)
LATECOMERS_DATED = _event("latecomers_dated", N_("dated what came while the clock was behind"), SERVICE)
FUTURE_MENDED = _event("future_mended", N_("set moments of the future right"), COMMAND)

"""The player's data: whose it is, what is kept, how it is handed out, how it is erased, and how long it is kept at all."""

from service.players.persons import Person, of_address, of_enquiry, of_player
from service.privacy.erasure import Erased, erase, would_erase
from service.privacy.export import hand_out, held

__all__ = ["Erased", "Person", "erase", "hand_out", "held", "of_address", "of_enquiry", "of_player", "would_erase"]

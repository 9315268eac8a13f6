"""The player's data: whose it is, what is kept, how it is handed out, how it is erased, and how long it is kept at all."""

from service.privacy.erasing import Erased, erase, would_erase
from service.privacy.held import hand_out, held
from service.privacy.persons import Person, of_address, of_enquiry, of_player

__all__ = ["Erased", "Person", "erase", "hand_out", "held", "of_address", "of_enquiry", "of_player", "would_erase"]

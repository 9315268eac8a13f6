"""The player's data: whose it is, what is kept, how it is handed out, how it is erased, and how long it is kept at all."""

from service.privacy.erasing import Erased, erase
from service.privacy.held import held
from service.privacy.persons import Person, of_enquiry, of_player
from service.privacy.retention import Swept, sweep

__all__ = ["Erased", "Person", "Swept", "erase", "held", "of_enquiry", "of_player", "sweep"]

"""The words that people are found by, written together with what they are of."""

from typing import Any

from sqlalchemy import Connection, ForeignKey, Index, delete, event, insert
from sqlalchemy.orm import Mapped, Mapper, attributes, mapped_column

from service.tables.advice import Enquiry
from service.tables.base import Base
from service.tables.columns import Key
from service.tables.folding import of_person
from service.tables.trials import Contact

NOBODYS = ""
"""In the place of a dealer: of an enquiry that was made of nobody in particular."""

_TOLD: dict[type[Base], tuple[str, ...]] = {Contact: ("name", "email", "phone"), Enquiry: ("dealer", "contact")}
"""What words are made of."""


class SearchWord(Base):
    """A folded word by which a contact or an enquiry is found at a dealer, and that goes with it: of a name, address or telephone number's end."""

    __tablename__ = "search_words"
    __table_args__ = (Index(None, "dealer", "word"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    dealer: Mapped[str] = mapped_column(Key)
    word: Mapped[str] = mapped_column(Key)
    player: Mapped[int | None] = mapped_column(ForeignKey("contacts.player", ondelete="CASCADE"), index=True)
    enquiry: Mapped[str | None] = mapped_column(ForeignKey("enquiries.id", ondelete="CASCADE"), index=True)


def of_contact(row: Contact) -> list[dict[str, Any]]:
    """Return the words of a contact, as rows."""
    found = set(of_person(row.name, row.email, row.phone))
    return [{"dealer": row.dealer, "word": word, "player": row.player, "enquiry": None} for word in sorted(found)]


def of_enquiry(row: Enquiry) -> list[dict[str, Any]]:
    """Return the words of an enquiry's contact, as rows."""
    given = row.contact or {}
    found = set(of_person(given.get("name"), given.get("email"), given.get("phone")))
    whose = row.dealer or NOBODYS
    return [{"dealer": whose, "word": word, "player": None, "enquiry": row.id} for word in sorted(found)]


@event.listens_for(Contact, "after_insert")
@event.listens_for(Enquiry, "after_insert")
def _write(_mapper: Mapper[Any], connection: Connection, row: Contact | Enquiry) -> None:
    found = of_contact(row) if isinstance(row, Contact) else of_enquiry(row)
    if found:
        connection.execute(insert(SearchWord), found)


@event.listens_for(Contact, "after_update")
@event.listens_for(Enquiry, "after_update")
def _write_anew(mapper: Mapper[Any], connection: Connection, row: Contact | Enquiry) -> None:
    if not any(attributes.get_history(row, name).has_changes() for name in _TOLD[type(row)]):
        return
    theirs = SearchWord.player == row.player if isinstance(row, Contact) else SearchWord.enquiry == row.id
    connection.execute(delete(SearchWord).where(theirs))
    _write(mapper, connection, row)

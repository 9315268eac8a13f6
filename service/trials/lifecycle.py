"""A trial on its way: opened, sent, swapped, taken back, closed, cancelled, revealed. Each raises `NotHere` or `Refused` with a sentence."""

from collections.abc import Mapping

from sqlalchemy.orm import Session


def open_(session: Session, user: int | None, dealer: str, key: str) -> None:
    """Open a planned trial in the shop: the bows go out. A trial by post is opened by `send`."""
    raise NotImplementedError


def send(session: Session, user: int | None, dealer: str, key: str, condition: Mapping[str, str]) -> None:
    """Send the parcel of a trial by post and open it; ``condition`` by serial."""
    raise NotImplementedError


def confirm_materials(session: Session, user: int | None, dealer: str, key: str, by: str) -> None:
    """Confirm that the materials may cross the border; ``by``: who says so."""
    raise NotImplementedError


def swap(session: Session, user: int | None, dealer: str, key: str, out: str | None, in_: str | None) -> None:
    """Exchange, add (``out`` None) or drop (``in_`` None) a bow of a planned trial; letters and order are drawn anew."""
    raise NotImplementedError


def take_back(session: Session, user: int | None, dealer: str, key: str, copies: Mapping[str, str]) -> None:
    """Take bows back, each with its condition; the others stay out."""
    raise NotImplementedError


def close(session: Session, user: int | None, dealer: str, key: str) -> None:
    """Close an open trial; in the shop its bows are back with it, by post they are taken back one by one."""
    raise NotImplementedError


def cancel(session: Session, user: int | None, dealer: str, key: str) -> None:
    """Give a trial up; its sheets stay, its bows are free again, those out stay out until they are taken back."""
    raise NotImplementedError


def reveal(session: Session, user: int, dealer: str, key: str) -> None:
    """Reveal which letter was which bow, once and for good; later sheets are kept but do not count."""
    raise NotImplementedError

"""What every page is told: its heading and look, what stands in its fields, what is wrong with them, what may be chosen."""

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Typed:
    """What stands in the fields of a page, and one sentence for each that cannot be used."""

    fields: Mapping[str, list[str]]
    faults: Mapping[str, str]

    def value(self, name: str) -> str:
        """Return the text of a field, empty where nothing was typed."""
        return next(iter(self.fields.get(name, ())), "")

    def chosen(self, name: str, value: str) -> bool:
        """Say whether a choice is made; the empty one ('not sure') only where it was sent."""
        return value in self.fields.get(name, ())

    def fault(self, name: str) -> str:
        """Return what is wrong with a field, empty where nothing is."""
        return self.faults.get(name, "")


@dataclass(frozen=True, slots=True)
class Fault:
    """One line of the summary: ``anchor`` is the id of the control to go to."""

    anchor: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Look:
    """What a dealer's pages look like; ``version`` changes with it, so that browsers may keep the parts."""

    dealer: str
    version: str
    has_colours: bool
    has_logo: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """What every page has: its heading, the dealer it belongs to and that dealer's look, and whether all data is invented."""

    title: str
    dealer: str | None = None
    demo: bool = False
    look: Look | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FormPage(Page):
    """A page with one form. ``said``: what was just done; ``faults``: what cannot be used, at the page's head."""

    action: str = ""
    csrf: str = ""
    typed: Typed
    faults: tuple[Fault, ...] = ()
    said: str = ""


@dataclass(frozen=True, slots=True)
class Option:
    """One choice: what is sent, what is read, and a word of help. An empty value means 'not answered'."""

    value: str
    label: str
    hint: str = ""


@dataclass(frozen=True, slots=True)
class Tab:
    """One of several ways on, of a list or of the desk; ``here``: the one that is shown."""

    label: str
    href: str
    here: bool


@dataclass(frozen=True, slots=True)
class AxisLabel:
    """What stands at a place of an axis: ``x`` a percentage of the width, or a height in pixels; ``anchor`` as SVG has it."""

    x: str
    label: str
    anchor: str = "middle"

"""What the page of a dealer's website is told."""

from dataclasses import dataclass, field

from service.dealers.api_keys import KeyInfo
from service.dealers.colours import Fitted
from service.web.page_data import Fault, Option, Page, Typed


def _nothing() -> Typed:
    return Typed({}, {})


@dataclass(frozen=True, slots=True, kw_only=True)
class WebsitePage(Page):
    """The page of a dealer's website.

    Attributes
    ----------
    slug : the dealer's; ``may_change``: an owner looks at it.
    line, line_words : what is pasted into the dealer's page, and the words of its link; ``languages``: in which it may be.
    service : under which origin this service is reached.
    origins : on which the form may stand; ``colours``: as they are used, each with its name; ``new_key``: just made, shown this once.
    pages, messages, keying : what stands in the fields of the three forms.
    secrets : sign the messages to the dealer's own system, two while the service's key is changed; empty while there is none.
    """

    slug: str
    may_change: bool
    csrf: str
    faults: tuple[Fault, ...]
    line: str
    line_words: str
    language: str
    languages: tuple[Option, ...]
    service: str
    origins: tuple[str, ...]
    colours: tuple[tuple[str, Fitted], ...]
    keys: tuple[KeyInfo, ...]
    secrets: tuple[str, ...]
    new_key: str = ""
    pages: Typed = field(default_factory=_nothing)
    messages: Typed = field(default_factory=_nothing)
    keying: Typed = field(default_factory=_nothing)
    logo_fault: str = ""

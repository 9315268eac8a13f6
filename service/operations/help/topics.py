"""Which pages of help there are and where each is written.

The command ``help`` prints a page as it is written, the desk shows it. A page links to another by its file's name, so that
the links also work where the files are read in the repository.
"""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

from service.core.errors import ConflictError

DOCS = Path(__file__).resolve().parents[2] / "docs"


@dataclass(frozen=True, slots=True)
class Topic:
    """One page of help; ``name``: what one types after ``help``, and the last part of its address at the desk."""

    name: str
    file: Path  # where it is written, in Markdown with one heading of the first level
    about: str  # what it is for, in one line

    @property
    def title(self) -> str:
        """Return the page's own heading."""
        return heading_of(self.file)

    @property
    def text(self) -> str:
        """Return the page as it is written."""
        return text_of(self.file)


def _topic(name: str, about: str, file: Path | None = None) -> Topic:
    return Topic(name, file or DOCS / f"{name}.md", about)


TOPICS = (
    _topic("start", "what the service does, and the first hour with it"),
    _topic("operator", "running it: commands, keys, names, limits, sign-in, mail"),
    _topic("install", "from a fresh Debian to the service behind https, and in containers"),
    _topic("upgrade", "a new version, and the way back"),
    _topic("changes", "what each version brought"),
    _topic("backup", "backups, restoring, what is in none"),
    _topic("machines", "several machines on one database"),
    _topic("trouble", "what one sees when something is wrong, and what to do"),
    _topic("settings", "every setting, with its default"),
    _topic("metrics", "what /metrics tells, and who may read it"),
    _topic("files", "what each column says, and what loading does with it"),
    _topic("website", "one line to paste, colours, a logo"),
    _topic("api", "keys, examples, codes of every refusal, webhooks"),
    _topic("privacy", "the player's data: consent, erasing, retention, what stays on a disk"),
    _topic("security", "who may what, sessions, limits, keys"),
    _topic("asvs", "the OWASP standard ASVS 5.0, requirement by requirement"),
    _topic("model", "what the model does, in words"),
    _topic("notation", "the model's mathematics", DOCS.parents[1] / "model" / "NOTATION.md"),
    _topic("decisions", "what was decided, when and why"),
)
NAMES = tuple(topic.name for topic in TOPICS)


def find(name: str) -> Topic:
    """Return a topic; raises `ConflictError` with the list of those there are."""
    for topic in TOPICS:
        if topic.name == name:
            return topic
    raise ConflictError(f"There is no help on {name!r}; the topics are {', '.join(NAMES)}.")


@cache
def text_of(file: Path) -> str:
    """Return a page's text, read once in a process."""
    return file.read_text(encoding="utf-8")


def heading_of(file: Path) -> str:
    """Return the words of a page's first heading."""
    return text_of(file).split("\n", 1)[0].removeprefix("# ").strip()

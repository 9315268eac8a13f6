"""The command that prints the pages of help."""

import argparse
from typing import TYPE_CHECKING

from service.cli.common import add
from service.operations.help.topics import TOPICS, find
from service.settings import Settings

if TYPE_CHECKING:
    from service.cli.common import Commands


def add_to(commands: "Commands") -> None:
    """Add the command of this module."""
    text = "list the pages of help, or print one; the desk shows the same under Help"
    helping = add(commands, "help", show, text, "python -m service help operator")
    helping.add_argument("topic", nargs="?", metavar="TOPIC", help="one of the list that `help` prints")


def show(asked: argparse.Namespace, settings: Settings) -> int:
    """Print the topics, or the page of one; raises `ConflictError` with the list for one that is not there."""
    del settings
    if asked.topic is not None:
        print(find(asked.topic).text, end="")
        return 0
    widest = max(len(topic.name) for topic in TOPICS)
    for topic in TOPICS:
        print(f"{topic.name:{widest}}  {topic.about}")
    return 0

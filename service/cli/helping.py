"""The command that prints the pages of help."""

import argparse
import sys

from service.cli.command_line import Commands, add
from service.core.errors import ConflictError
from service.operations.help.topics import TOPICS, find


def add_to(commands: Commands) -> None:
    """Add the command of this module."""
    helping = add(commands, "help", show, "python -m service help operator")
    helping.add_argument("topic", nargs="?", metavar="TOPIC", help="one of the list that `help` prints")


def show(asked: argparse.Namespace) -> int:
    """Print the topics, or the page of one, or the list of those there are for one that is not there."""
    if asked.topic is not None:
        try:
            print(find(asked.topic).text, end="")
        except ConflictError as error:
            sys.stderr.write(f"{error}\n")
            return 1
        return 0
    widest = max(len(topic.name) for topic in TOPICS)
    for topic in TOPICS:
        print(f"{topic.name:{widest}}  {topic.about}")
    return 0

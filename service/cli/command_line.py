"""The commands by name, each with its line of help and the module that has it, and the parser of a command line.

Nothing here loads a library: of the modules only the one whose command is asked for is loaded, so that a command waits for
nothing that it does not use.
"""

import argparse
from collections.abc import Callable
from importlib import import_module
from typing import Any, NoReturn, TypeAlias

from service import VERSION

Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"  # noqa: SLF001
"""What `add_subparsers` returns; argparse has only a private name for it."""

COMMANDS = {
    "serving": {"demo": "serve a fresh database of invented data", "serve": "serve the database named in DATABASE_URL"},
    "storing": {
        "migrate": "bring the database to this version's tables",
        "backup": "write a consistent copy of everything, also while serving",
        "restore": "put a backup in place of the database",
    },
    "file_commands": {
        "load": "take in tiers, prices, copies, bench, events, runs and outcomes from CSV files, all or nothing",
        "dump": "write range and history as CSV files",
    },
    "staff_commands": {
        "dealers": "add or list the dealers",
        "users": "add, list or disable the staff's accounts, reset a second factor",
    },
    "model_commands": {
        "fit": "fit a new model version from all trials, check it, and adopt it if it is not worse than what is in use",
        "advise": "read answers as JSON, or as JSON lines, and write advice the same way",
        "check": "check database, model, outbox and disk",
    },
    "posting": {"send": "send what waits in the outbox, once; `serve` does so by itself"},
    "retaining": {"retention": "say how erasing by age stands, or let it go on where it asks"},
    "link_keys": {"keys": "change the key that signs links and forms; older ones are accepted until they are retired"},
    "helping": {"help": "list the pages of help, or print one; the desk shows the same under Help"},
}
"""By module and name; the order is that of the list."""
TEXTS = {name: text for commands in COMMANDS.values() for name, text in commands.items()}


class Parser(argparse.ArgumentParser):
    """A parser whose complaint is one line."""

    def error(self, message: str) -> NoReturn:
        """Say what is wrong with the command line and how to find help, and end with status 2."""
        self.exit(2, f"{self.prog}: {message} (see {self.prog} --help)\n")


def parser(command: str | None) -> Parser:
    """Return the parser of all commands, of which ``command`` alone knows its own options."""
    top = Parser(
        prog="python -m service",
        description="Shortlist, trial plan and a model that learns from every trial.",
        epilog="example: python -m service demo",
        allow_abbrev=False,
    )
    top.add_argument("--version", action="version", version=VERSION, help="say which version this is, and end")
    commands = top.add_subparsers(title="commands", metavar="COMMAND", required=True, parser_class=Parser)
    for module, texts in COMMANDS.items():
        if command in texts:
            import_module(f"service.cli.{module}").add_to(commands)
        else:
            for name, text in texts.items():
                commands.add_parser(name, help=text)
    return top


def add(
    commands: Commands, name: str, run: Callable[..., int], example: str, text: str | None = None
) -> argparse.ArgumentParser:
    """Add a command, or a verb with its own line of help, with an example, and return its parser."""
    parser = _with_help(commands, name, example, text or TEXTS[name])
    parser.set_defaults(run=run)
    return parser


def group(commands: Commands, name: str, example: str, metavar: str) -> Commands:
    """Add a command that has verbs, and return where they are added."""
    verbs: Any = _with_help(commands, name, example, TEXTS[name])
    added: Commands = verbs.add_subparsers(title="verbs", metavar=metavar, required=True, parser_class=Parser)
    return added


def _with_help(commands: Commands, name: str, example: str, text: str) -> argparse.ArgumentParser:
    described = f"{text[0].upper()}{text[1:]}."
    return commands.add_parser(name, help=text, description=described, epilog=f"example: {example}", allow_abbrev=False)

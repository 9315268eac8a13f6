"""The command line: ``python -m service COMMAND``.

A command returns its exit status: 0 done, 1 refused or something is wrong with what it was given, 2 wrong use. Whatever a
user can cause ends in one plain line, never in a traceback.
"""

import os
import sys
from collections.abc import Mapping, Sequence

from service.cli.command_line import parser

INTERRUPTED = 130
"""The shell's exit status for Ctrl-C: 128 + SIGINT."""
BROKEN_PIPE = 141
"""The shell's exit status where the reader of the output has gone: 128 + SIGPIPE."""


def main(arguments: Sequence[str] | None = None, environ: Mapping[str, str] | None = None) -> int:
    """Run one command and return its exit status."""
    given = sys.argv[1:] if arguments is None else arguments
    try:
        asked = parser(given[0] if given else None).parse_args(given)
        if asked.run.__module__ == "service.cli.helping":
            # Help is there where the settings cannot be read, too: it says which there are.
            return int(asked.run(asked))
        from service.cli import running  # noqa: PLC0415 - loads the database's library, which help does without

        return running.run(asked, os.environ if environ is None else environ)
    except SystemExit as ended:  # from the parser: help, or wrong use
        return int(ended.code or 0)
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        # The output is closed; what Python still holds for it must go nowhere, or it complains while it ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return BROKEN_PIPE

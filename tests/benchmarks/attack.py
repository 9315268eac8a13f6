"""Attacks on a service started for it, over the loopback and bounded: what a stranger, a key holder or a bad network can do."""

import argparse
import importlib
import pkgutil
from collections.abc import Sequence
from pathlib import Path

PREFIX = "_attack_"
"""Each module of this beginning is one attack: ``run()`` yields its figures line by line, the docstring says what it is."""


def attacks() -> list[str]:
    """Return the attacks' names."""
    modules = (module.name for module in pkgutil.iter_modules([str(Path(__file__).parent)]))
    return sorted(name.removeprefix(PREFIX) for name in modules if name.startswith(PREFIX))


def main(argv: Sequence[str]) -> int:
    """Run the attacks named, or all of them, and print their figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks attack", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="ATTACK", help=f"which ones: {', '.join(attacks())} (default: all)")
    asked = parser.parse_args(argv)
    unknown = sorted(set(asked.names) - set(attacks()))
    if unknown:
        parser.error(f"got {', '.join(unknown)}; expected any of: {', '.join(attacks())}")
    for name in asked.names or attacks():
        module = importlib.import_module(f"tests.benchmarks.{PREFIX}{name}")
        print(f"{name}: {(module.__doc__ or '').partition(chr(10))[0]}")
        for line in module.run():
            print(f"  {line}", flush=True)
    return 0

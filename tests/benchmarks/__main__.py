"""Run a benchmark: python -m tests.benchmarks NAME [options]; without NAME, list them, with the goals beside what is stored.

NAME `all` runs every one that has goals, one after the other; --store, behind any NAME, keeps the figures for later runs to be held against.
"""

import ast
import importlib
import os
import pkgutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from tests.benchmarks import _goals

_STORE = "--store"
HERE = Path(__file__).parent
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def summaries() -> dict[str, str]:
    """Give each benchmark's name and the first line of its docstring, without importing it."""
    names = [module.name for module in pkgutil.iter_modules([str(HERE)]) if not module.name.startswith("_")]
    sources = {name: ast.parse((HERE / f"{name}.py").read_text(encoding="utf-8")) for name in names}
    found = {}
    for name, source in sources.items():
        if any(isinstance(part, ast.FunctionDef) and part.name == "main" for part in source.body):
            found[name] = (ast.get_docstring(source) or "").partition("\n")[0]
    return found


def main(argv: Sequence[str]) -> int:
    """Run the benchmark named first, on one thread; return its exit status."""
    known = summaries()
    if not argv or argv[0] in {"-h", "--help"}:
        print(__doc__, *(f"  {name:<12} {summary}" for name, summary in known.items()), sep="\n")
        print(*_goals.summary(), sep="\n\n")
        return 0
    if _STORE in argv:
        os.environ[_goals.STORING] = "1"
        argv = [each for each in argv if each != _STORE]
    if argv == ["all"]:
        this = [sys.executable, "-m", "tests.benchmarks"]
        return max(
            [
                subprocess.run([*this, name, *_goals.ARGUMENTS.get(name, ())], check=False).returncode
                for name in _goals.GOALS
            ]
        )
    if argv[0] not in known:
        print(f"got benchmark {argv[0]!r}, expected one of: {', '.join(known)}", file=sys.stderr)
        return 2
    for name in ONE_THREAD:  # before numpy is imported: it reads them once
        os.environ[name] = "1"
    status: int = importlib.import_module(f"tests.benchmarks.{argv[0]}").main(list(argv[1:]))
    return status


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

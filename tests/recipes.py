"""Recipes of DEVELOPERS.md, followed: each step that names a file is done in a copy of the repository.

A recipe is a heading of the third level with numbered steps. A step that ends in a colon has a block of code below it:
``To `NAME` in `FILE`:`` puts the block into a table, a list of columns or a class; ``Before `NAME` in `FILE`:`` puts it there;
``As `FILE`:`` makes a file; ``Run:`` runs the command. Any other step is for people.
"""

import ast
import os
import re
import shlex
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
_STEP = re.compile(
    r"^\d+\. (?P<says>(?:To `(?P<to>\w+)` in `(?P<in>[^`]+)`|Before `(?P<before>[\w.]+)` in `(?P<at>[^`]+)`|As `(?P<as>[^`]+)`|Run)[^\n]*:)\n"
    r"\n```\w*\n(?P<block>.*?)^```",
    re.DOTALL | re.MULTILINE,
)
_NESTED = (ast.Dict, ast.Tuple, ast.List, ast.Set)


@dataclass(frozen=True)
class Copied:
    """A copy of the repository in which recipes are followed."""

    folder: Path

    @classmethod
    def made(cls, folder: Path) -> "Copied":
        """Copy what a running service is made of, and the tests' own helpers."""
        for name in ("model", "service", "templates"):
            shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
        (folder / "tests").mkdir()
        for file in (ROOT / "tests").glob("*.py"):
            shutil.copyfile(file, folder / "tests" / file.name)
        (folder / "tests" / "service").mkdir()
        for file in (ROOT / "tests" / "service").glob("*.py"):
            shutil.copyfile(file, folder / "tests" / "service" / file.name)
        return cls(folder)

    def run(self, *arguments: str) -> str:
        """Run Python in the copy and return what it prints; raises with what it complains of."""
        done = subprocess.run(
            [sys.executable, *arguments],
            cwd=self.folder,
            env=os.environ | {"DATA_DIR": str(self.folder / "var"), "PYTHONPATH": str(self.folder)},
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
        )
        assert done.returncode == 0, done.stderr + done.stdout
        return done.stdout

    def follow(self, name: str) -> int:
        """Do every step of a recipe that can be done for the reader, and return how many there were."""
        steps = list(_STEP.finditer(recipe(name)))
        for step in steps:
            block = step["block"]
            if step["to"]:
                self._add(step["in"], step["to"], block)
            elif step["before"]:
                self._put_before(step["at"], step["before"], block)
            elif step["as"]:
                new = self.folder / step["as"]
                assert new.parent.parent.is_dir(), f"{step['as']}: there is no such room"
                assert not new.exists(), f"{step['as']}: is there already"
                new.parent.mkdir(exist_ok=True)
                new.write_text(block.replace('"LAST"', f'"{self._last_revision()}"'), encoding="utf-8")
            else:
                program, *arguments = shlex.split(block)
                assert program in ("python", ".venv/bin/python"), block
                self.run(*arguments)
        return len(steps)

    def _add(self, file: str, name: str, block: str) -> None:
        lines, node = self._named(file, name)
        if isinstance(node, ast.ClassDef):
            lines.insert((node.end_lineno or 0), "".join(f"    {line}\n" for line in block.splitlines()))
        else:
            assert isinstance(node, ast.Assign | ast.AnnAssign), f"{file}: {name} is no table"
            table = _table(node.value)
            assert table is not None, f"{file}: {name} is no table"
            row, column = (table.end_lineno or 0) - 1, (table.end_col_offset or 0) - 1
            before = lines[row].encode()[:column].decode()
            after = lines[row].encode()[column:].decode()
            filled = before.strip() and not before.rstrip().endswith((",", "(", "{", "["))
            lines[row] = f"{before}{',' if filled else ''}\n{block}{after}"
        self._write(file, lines)

    def _put_before(self, file: str, name: str, block: str) -> None:
        lines, node = self._named(file, name)
        lines.insert(node.lineno - 1, block if "." in name else block + "\n\n")
        self._write(file, lines)

    def _last_revision(self) -> str:
        versions = self.folder / "service" / "migrations" / "versions"
        return max(file.name[:4] for file in versions.glob("[0-9]*.py") if file.name[:4] != "9999")

    def _named(self, file: str, name: str) -> tuple[list[str], ast.stmt]:
        text = (self.folder / file).read_text(encoding="utf-8")
        node: ast.Module | ast.stmt | None = ast.parse(text)
        for part in name.split("."):
            node = named(node, part) if isinstance(node, ast.Module | ast.ClassDef) else None
        assert isinstance(node, ast.stmt), f"{file}: the recipe names {name}, which is not there"
        return text.splitlines(keepends=True), node

    def _write(self, file: str, lines: list[str]) -> None:
        text = "".join(lines)
        ast.parse(text)
        (self.folder / file).write_text(text, encoding="utf-8")


def recipe(name: str) -> str:
    """Return a recipe of DEVELOPERS.md."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    found = re.search(rf"^### {name}\n(.*?)(?=^##)", text, re.DOTALL | re.MULTILINE)
    assert found is not None, f"DEVELOPERS.md has no recipe for: {name}"
    return found[1]


def named(tree: ast.Module | ast.ClassDef, name: str) -> ast.stmt | None:
    """Return the class, function or assignment of a name at a file's or class's first level."""
    for node in tree.body:
        if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef) and node.name == name:
            return node
        targets = (
            node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
        )
        if any(isinstance(target, ast.Name) and target.id == name for target in targets):
            return node
    return None


def _table(value: ast.expr | None) -> ast.expr | None:
    """Return the table that a value is, or that is handed to the call which it is."""
    if isinstance(value, _NESTED):
        return value
    if isinstance(value, ast.Call):
        return next((argument for argument in value.args if isinstance(argument, _NESTED)), None)
    return None

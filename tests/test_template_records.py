"""How many records stand between what a use case reads and the template that shows it.

A record is a dataclass or NamedTuple of `service/`. It only feeds templates where

- its module reads no table (what a use case read goes to templates as it is),
- a template names one of its fields, its bases' included,
- no function of `service/` takes one, but its own methods,
- no function reads a field of one that it got from a call, directly, by a name, a loop or a comprehension.

What is read in another way, which this does not see, is named below with its reader.
"""

import ast
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping
from pathlib import Path

from tests.test_house import ROOT, sources, tree

MOST = 40
READ_OTHERWISE = {
    "Count": "printed line by line by the commands",
    "Difference": "a table of phrases, read by its key",
    "Expected": "what a setting is to be, read off its field",
    "FileProblem": "printed line by line by the commands",
    "FormTokens": "makes and checks tokens itself",
    "Kept": "columns of the history, read by their statement",
    "RefusalType": "the kinds of refusals, which the API answers with",
    "Role": "the table of roles, read by its key",
    "SchemaWords": "words of a schema, written by pydantic",
    "_Incoming": "counts what comes in itself",
    "_Open": "a stack, read by the pass that holds it",
    "_Pass": "walks through a body itself",
}
Function = ast.FunctionDef | ast.AsyncFunctionDef


def words(node: ast.AST) -> set[str]:
    """Return every name in a piece of code, in annotations that are text too."""
    found = {
        each.id if isinstance(each, ast.Name) else each.attr
        for each in ast.walk(node)
        if isinstance(each, ast.Name | ast.Attribute)
    }
    texts = (each.value for each in ast.walk(node) if isinstance(each, ast.Constant) and isinstance(each.value, str))
    return found | {word for text in texts for word in re.findall(r"\w+", text)}


class Service:
    """The records of `service/`, and who takes, gives and reads them."""

    def __init__(self) -> None:
        self.trees = [tree(path) for path in sources("service")]
        nodes = [node for each in self.trees for node in ast.walk(each)]
        self.records = {node.name: node for node in nodes if isinstance(node, ast.ClassDef) and is_record(node)}
        self.functions = [node for node in nodes if isinstance(node, Function)]
        self.own = {
            f: name for name, record in self.records.items() for f in ast.walk(record) if isinstance(f, Function)
        }
        self.fields = {name: set(fields_of(record)) for name, record in self.records.items()}
        self.gives: Mapping[str, set[str]] = self._given()

    def _given(self) -> dict[str, set[str]]:
        given: dict[str, set[str]] = defaultdict(set)
        for function in self.functions:
            given[function.name] |= words(function.returns) & self.records.keys() if function.returns else set()
        return given

    def taken(self) -> set[str]:
        """Return the records that a function takes which is none of their own."""
        return {
            name
            for function in self.functions
            for argument in ast.walk(function.args)
            if isinstance(argument, ast.arg) and argument.annotation
            for name in words(argument.annotation) & self.records.keys()
            if self.own.get(function) != name
        }

    def made(self, node: ast.AST) -> set[str]:
        """Return the records that the calls in an expression give."""
        calls = {name_of(each) for each in ast.walk(node) if isinstance(each, ast.Call)}
        return (calls & self.records.keys()) | {name for call in calls for name in self.gives.get(call, ())}

    def read(self) -> set[str]:
        """Return the records of which a function that is none of their own reads a field."""
        return {
            name for function in self.functions for name in self._read_in(function) if self.own.get(function) != name
        }

    def _read_in(self, function: Function) -> Iterator[str]:
        holds: dict[str, set[str]] = defaultdict(set)
        for target, value in (pair for node in ast.walk(function) for pair in bindings(node)):
            held = self.made(value).union(*(holds[each.id] for each in ast.walk(value) if isinstance(each, ast.Name)))
            for name in (each.id for each in ast.walk(target) if isinstance(each, ast.Name)):
                holds[name] |= held
        for node in ast.walk(function):
            if isinstance(node, ast.Attribute):
                of = node.value
                held = (
                    holds[of.id]
                    if isinstance(of, ast.Name)
                    else self.made(of)
                    if isinstance(of, ast.Call | ast.Subscript)
                    else set()
                )
                yield from (name for name in held if node.attr in self.fields[name])

    def with_bases(self, name: str) -> set[str]:
        """Return a record's fields with those of the records that it derives from."""
        bases = {base for node in self.records[name].bases for base in words(node)} & self.records.keys()
        return self.fields[name].union(*(self.with_bases(base) for base in bases))

    def stored(self) -> set[str]:
        """Return the records of modules that read the tables."""
        reading = [each for each in self.trees if "tables" in set().union(*map(modules, ast.walk(each)))]
        return {node.name for each in reading for node in ast.walk(each) if isinstance(node, ast.ClassDef)}

    def feeding(self) -> set[str]:
        """Return the records that only feed templates."""
        shown = set(re.findall(r"\.(\w+)", " ".join(path.read_text(encoding="utf-8") for path in templates())))
        return (
            {name for name in self.records if self.with_bases(name) & shown}
            - self.taken()
            - self.read()
            - self.stored()
        )


def modules(node: ast.AST) -> set[str]:
    """Return the words of what a statement imports from `service/`."""
    if not (isinstance(node, ast.ImportFrom) and (node.module or "").startswith("service")):
        return set()
    return {*(node.module or "").split("."), *(each.name for each in node.names)}


def templates() -> list[Path]:
    return [path for path in (ROOT / "templates").rglob("*") if path.is_file()]


def is_record(node: ast.ClassDef) -> bool:
    marks = set().union(*(words(each) for each in [*node.decorator_list, *node.bases]), set())
    return bool(marks & {"dataclass", "NamedTuple"})


def fields_of(record: ast.ClassDef) -> Iterator[str]:
    return (
        each.target.id for each in record.body if isinstance(each, ast.AnnAssign) and isinstance(each.target, ast.Name)
    )


def name_of(call: ast.Call) -> str:
    """Return the last word of what is called."""
    of = call.func
    return of.attr if isinstance(of, ast.Attribute) else of.id if isinstance(of, ast.Name) else ""


def bindings(node: ast.AST) -> list[tuple[ast.AST, ast.AST]]:
    """Return what a piece of code gives names to, with what it is."""
    if isinstance(node, ast.Assign):
        return [(target, node.value) for target in node.targets]
    if isinstance(node, ast.NamedExpr):
        return [(node.target, node.value)]
    if isinstance(node, ast.For | ast.AsyncFor | ast.comprehension):
        return [(node.target, node.iter)]
    if isinstance(node, ast.withitem) and node.optional_vars:
        return [(node.optional_vars, node.context_expr)]
    return []


def test_few_records_only_feed_templates() -> None:
    found = Service().feeding()
    assert READ_OTHERWISE.keys() - found == set(), "seen to be read by now"
    assert len(found - READ_OTHERWISE.keys()) <= MOST, sorted(found)

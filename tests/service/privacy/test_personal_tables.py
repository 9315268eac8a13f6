"""Every table that leads to a person is one that erasing and handing out know: a room cannot keep something of them unseen."""

import ast
from pathlib import Path
from types import ModuleType

from service.players import joining, persons
from service.privacy import erasure, export
from service.tables import Base

PERSONAL = {"players", "enquiries"}
"""What a person is known by."""
TOLD_ELSEWHERE = {
    "SearchWord": "the words of a name, an address and a number that are told themselves",
    "Seat": "a link to a trial's sheets, told by what was rated with it",
    "Slot": "the blind order, told by the places that were rated",
    "TrialCopy": "what the dealer lent, told by what came of it",
}


def leading() -> set[str]:
    """Return the classes of the tables with a person's key, or with that of a row that has one."""
    found, tables = set(PERSONAL), Base.metadata.tables
    classes = {mapper.class_.__tablename__: mapper.class_.__name__ for mapper in Base.registry.mappers}
    while True:
        further = {name for name in tables if {key.column.table.name for key in tables[name].foreign_keys} & found}
        if further <= found:
            return {classes[name] for name in found}
        found |= further


def named(*modules: ModuleType) -> set[str]:
    """Return the names that modules use."""
    sources = (Path(str(module.__file__)).read_text(encoding="utf-8") for module in modules)
    nodes = (node for source in sources for node in ast.walk(ast.parse(source)))
    return {
        node.id if isinstance(node, ast.Name) else node.attr
        for node in nodes
        if isinstance(node, ast.Name | ast.Attribute)
    }


def test_what_leads_to_a_person_is_erased() -> None:
    assert leading() - named(erasure, joining) == set()


def test_what_leads_to_a_person_is_handed_out() -> None:
    assert leading() - named(export, persons) == set(TOLD_ELSEWHERE)

"""A statement that was built once asks with the values of each call, on both databases."""

from collections.abc import Sequence

from sqlalchemy import Select, select

from service.core.database import Database
from service.core.prepared import prepared
from service.tables import Dealer


def test_a_statement_is_built_once_and_asks_with_the_values_of_each_call(any_database: Database) -> None:
    with any_database.writing() as session:
        session.add_all(Dealer(slug=slug, name=slug.capitalize()) for slug in ("bay", "fell", "moor"))
    built: list[str] = []

    @prepared
    def named(slugs: Sequence[str], but: str) -> Select[str]:
        built.append("once")
        return select(Dealer.name).where(Dealer.slug.in_(slugs), Dealer.slug != but).order_by(Dealer.slug)

    def found(slugs: Sequence[str], but: str) -> list[str]:
        with any_database.reading() as session:
            return list(session.scalars(*named(slugs, but=but)))

    assert found(["bay", "moor"], "") == ["Bay", "Moor"]
    assert found(["fell", "moor", "bay"], "moor") == ["Bay", "Fell"]
    assert found([], "bay") == []
    assert built == ["once"]

"""Forty ways to spell an address whose mail may all come to one mailbox."""

from itertools import product


def forty() -> list[str]:
    """Return forty addresses, each different from the others as text."""
    local = ("anna", "Anna", "ANNA", "an.na", "a.n.n.a", "anna+shop", "anna+1", "A.NNA+x.y")
    domain = ("müller.example", "MÜLLER.example", "xn--mller-kva.example", "mu\u0308ller.example", "ｍüller.example")
    return [f"{each}@{where}" for each, where in product(local, domain)]

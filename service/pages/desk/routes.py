"""Every page of the desk as one router."""

from fastapi import APIRouter

from service.pages.desk import (
    asking,
    compose,
    correcting,
    enquiries,
    home,
    person,
    players,
    prints,
    range_routes,
    same_person,
    stock_routes,
    trials,
)

router = APIRouter()
PARTS = (
    *(home, enquiries, compose, trials, asking, correcting, prints),
    *(stock_routes, range_routes, players, same_person, person),
)
for part in PARTS:
    router.include_router(part.router)

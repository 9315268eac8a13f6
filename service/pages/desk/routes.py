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
    same_person,
    stock_routes,
    trials,
)

router = APIRouter()
for part in (home, enquiries, compose, trials, asking, correcting, prints, stock_routes, players, same_person, person):
    router.include_router(part.router)

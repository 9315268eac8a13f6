"""The staff's pages: signing in and out, passwords, the second factor, accounts, tablets, the record, which dealer, the model."""

from fastapi import APIRouter

from service.pages.staff import (
    account,
    audit,
    code,
    dealers,
    factor,
    forgotten,
    lasting,
    model,
    password,
    retention,
    sign_in,
    tablets,
    users,
)

router = APIRouter()
for _part in (
    sign_in,
    code,
    forgotten,
    password,
    account,
    factor,
    users,
    tablets,
    audit,
    dealers,
    lasting,
    model,
    retention,
):
    router.include_router(_part.router)

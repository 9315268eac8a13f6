"""The staff's pages: signing in and out, passwords, the second factor, accounts, tablets, the record, which dealer, the model."""

from fastapi import APIRouter

from service.accounts import (
    account_page,
    audit_page,
    code_page,
    dealers_page,
    factor_page,
    forgotten_page,
    lasting,
    password_page,
    sign_in,
    users_page,
)
from service.devices import tablets_page
from service.modelling.model_page import model_desk
from service.privacy import retention_page

router = APIRouter()
for _part in (
    sign_in,
    code_page,
    forgotten_page,
    password_page,
    account_page,
    factor_page,
    users_page,
    tablets_page,
    audit_page,
    dealers_page,
    lasting,
    model_desk,
    retention_page,
):
    router.include_router(_part.router)

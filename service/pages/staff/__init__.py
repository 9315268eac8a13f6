"""The staff's pages: signing in and out, passwords, accounts, tablets, the record, which dealer, the model."""

from fastapi import APIRouter

from service.pages.staff import account, audit, dealers, model, password, retention, sign_in, tablets, users

router = APIRouter()
for _part in (sign_in, password, account, users, tablets, audit, dealers, model, retention):
    router.include_router(_part.router)

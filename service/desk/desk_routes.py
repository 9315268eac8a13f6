"""Every page of the desk as one router."""

from fastapi import APIRouter

from service.accounts import (
    account_page,
    code_page,
    dealers_page,
    factor_page,
    forgotten_page,
    lasting,
    password_page,
    sign_in,
    users_page,
)
from service.bench import bench_routes, tier_routes
from service.desk import enquiries_page, figures_page, find_page, home, player_page, players_page, who_is_who
from service.devices import tablets_page
from service.inventory import bench_file, care_routes, file_routes, range_routes, scan_routes, stock_routes
from service.modelling.model_page import model_desk
from service.operations import audit_page, help_page
from service.privacy import person_page, retention_page
from service.trials import asking_page, compose_routes, correcting_page, paper_sheets_page, prints, trial_routes

router = APIRouter()
PARTS = (
    *(home, find_page, enquiries_page, compose_routes, trial_routes, asking_page, correcting_page),
    *(paper_sheets_page, prints, care_routes, file_routes, scan_routes),
    *(stock_routes, range_routes, players_page, player_page, figures_page, who_is_who, person_page, help_page),
    *(bench_routes, bench_file, tier_routes, model_desk, retention_page, audit_page, tablets_page),
    *(sign_in, code_page, forgotten_page, password_page, lasting, account_page, factor_page, users_page, dealers_page),
)
for part in PARTS:
    router.include_router(part.router)

"""A bow's bench readings as a file, in the columns in which `load` takes them in."""

import csv
import io
from typing import Annotated

from fastapi import APIRouter, Depends
from fastapi.responses import Response

from service.bench import records
from service.inventory import bench_rows
from service.web.database_sessions import Reading
from service.web.permissions import Needs, Staff
from service.web.roles import Permission

router = APIRouter(prefix="/desk/stock")


@router.get("/{serial}/bench/file")
async def bench_file(
    serial: str, staff: Annotated[Staff, Depends(Needs(Permission.STOCK_VIEW))], session: Reading
) -> Response:
    """Hand out every reading of one bow."""
    record = records.of_copy(session, staff.bows, serial)
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(bench_rows.cells_of(record.readings))
    headers = {"Content-Disposition": 'attachment; filename="bench.csv"'}
    return Response(text.getvalue(), media_type="text/csv; charset=utf-8", headers=headers)

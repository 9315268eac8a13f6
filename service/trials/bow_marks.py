"""Each bow's marks added up by year and dealer, so that no page goes through the trials of all years for them.

They are counted anew for the bows of a trial whenever it is over, opened again, revealed or erased, when a sheet of it comes
later, and where files bring it; and of all bows once a day, by when a player's later word on helping others counts too.
"""

from collections.abc import Collection, Iterable
from itertools import islice

from sqlalchemy import Integer, Select, case, delete, extract, func, insert, or_, select
from sqlalchemy.orm import Session

from service import tables
from service.core import dealer_wall
from service.core.database import Database
from service.core.row_locks import lock_copies
from service.tables import BowMarks

AT_ONCE = 200
"""So many bows, or trials, one statement is about."""


def of_trials(session: Session, trials: Iterable[int]) -> None:
    """Count the marks of the bows of trials anew."""
    serials, waiting = set[str](), iter(trials)
    while some := list(islice(waiting, AT_ONCE)):
        session.flush()
        played = select(tables.Run.copy).where(tables.Run.trial.in_(some), tables.Run.copy.is_not(None)).distinct()
        serials.update(filter(None, session.scalars(played)))
    of_bows(session, serials)


def of_bows(session: Session, serials: Collection[str]) -> None:
    """Count the marks of bows anew; none of two that do so at once misses what the other brought."""
    waiting = iter(sorted(serials))
    columns = [column.name for column in BowMarks.__table__.columns]
    with dealer_wall.lifted(session):  # files of nobody and trials elsewhere count too, whoever asks
        while some := list(islice(waiting, AT_ONCE)):
            lock_copies(session, some)
            session.execute(delete(BowMarks).where(BowMarks.copy.in_(some)))
            session.execute(insert(BowMarks).from_select(columns, _sums(some)))


def of_all(database: Database) -> None:
    """Count the marks of every bow anew, some at a time, so that nobody waits long."""
    last = ""
    while True:
        with database.writing() as session:
            beyond = select(tables.Copy.serial).where(tables.Copy.serial > last).order_by(tables.Copy.serial)
            some = session.scalars(beyond.limit(AT_ONCE)).all()
            if not some:
                return
            of_bows(session, some)
            last = some[-1]


def _sums(serials: Collection[str]) -> Select[tuple[str, str, int, int, int, int, int, int, int]]:
    run, trial, composition, mark = tables.Run, tables.Trial, tables.Composition, tables.Run.overall
    from_file = composition.trial.is_(None)
    counts = or_(from_file, composition.state == "closed") & tables.Player.in_model
    shows = or_(from_file, composition.revealed_at.is_not(None))
    dealer, year = func.coalesce(trial.dealer, ""), extract("year", trial.on).cast(Integer)
    return (
        select(run.copy, dealer, year, func.count(case((counts, trial.id)).distinct()))
        .add_columns(*(func.sum(case((counts, value), else_=0)) for value in (1, mark, mark * mark)))
        .add_columns(*(func.sum(case((shows, value), else_=0)) for value in (1, mark)))
        .join(trial, trial.id == run.trial)
        .join(tables.Player, tables.Player.id == trial.player)
        .outerjoin(composition, composition.trial == trial.id)
        .where(run.copy.in_(serials), run.rater == "player", mark.is_not(None), tables.newest_run(), counts | shows)
        .group_by(run.copy, dealer, year)
    )

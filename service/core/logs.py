"""The log of a process that serves: one JSON object a line on standard error.

Each has ``time`` (UTC), ``level``, ``event``, ``logger``, ``process`` and, while one is answered, ``request``, the id that its
answer carries too. Nothing else gets in but what stands in `EXTRAS`: no address that was asked for, nobody's name or address,
and of an error its kind and where it was met, but not its words, which may repeat what somebody typed.

What comes again and again is written so many times a minute, then counted (``left_out`` of the next line): a database that is
away costs a line a minute, not one a request.
"""

import logging
import secrets
import sys
import threading
import time
import traceback
from collections.abc import Callable, Iterator, MutableMapping
from pathlib import Path
from typing import Any, TextIO

import structlog
from sqlalchemy.exc import DBAPIError, InterfaceError, OperationalError
from structlog.contextvars import bind_contextvars, clear_contextvars, get_contextvars
from structlog.processors import CallsiteParameter, CallsiteParameterAdder

EXTRAS = ("reason", "left_out")
"""What a line may say besides, handed over as ``extra``."""
AWAY = (OperationalError, InterfaceError)
"""What is raised where the database does not answer."""
A_MINUTE, MOST_ALIKE = 60.0, 60
"""Seconds, and how many lines of one kind are written in them."""
MOST_FRAMES, MOST_KINDS, LONGEST = 30, 1000, 300
_DATABASE = "the database did not answer"
_HERE = Path(__file__).resolve().parents[2]
_log = logging.getLogger(__name__)


class _Output(logging.StreamHandler[TextIO]):
    """The one handler of the log; known by its type, so that setting up twice leaves one."""


def set_up(level: str, stream: TextIO | None = None) -> None:
    """Send what every library and thread of this process logs, from ``level`` up, to one place in one shape."""
    output = _Output(stream or sys.stderr)
    output.setFormatter(structlog.stdlib.ProcessorFormatter(processors=[*_SHAPE, _rendered]))
    output.addFilter(Seldom())
    root, number = logging.getLogger(), logging.getLevelNamesMapping()[level.upper()]
    root.handlers = [output, *(each for each in root.handlers if not isinstance(each, _Output))]
    root.setLevel(number)
    for name in ("uvicorn", "uvicorn.error"):
        logger = logging.getLogger(name)
        logger.handlers, logger.propagate = [], True
        logger.setLevel(number)
    # Addresses of enquiries are secrets, and they are what this one tells.
    logging.getLogger("uvicorn.access").handlers = []
    logging.getLogger("uvicorn.access").propagate = False
    # SQLAlchemy calls every statement information, and others every step of theirs worth a line while debugging.
    debugging = number <= logging.DEBUG
    logging.getLogger("sqlalchemy").setLevel(logging.INFO if debugging else max(number, logging.WARNING))
    for name in ("asyncio", "PIL", "python_multipart"):
        logging.getLogger(name).setLevel(max(number, logging.INFO))
    for name in (
        "httpx",
        "httpcore",
    ):  # they tell whither messages go, and a dealer's address for them may hold a secret
        logging.getLogger(name).setLevel(max(number, logging.WARNING))
    logging.captureWarnings(True)
    threading.excepthook = _thread_failed


def begin_request() -> str:
    """Draw the id of a request and let every line that is written while it is answered name it."""
    ident = secrets.token_hex(5)
    clear_contextvars()
    bind_contextvars(request=ident)
    return ident


def request_id() -> str:
    """Return the id of the request that is answered, empty for none."""
    return str(get_contextvars().get("request", ""))


def away(error: Exception) -> None:
    """Note that the database did not answer, with the first line of its own words: they say where it was looked for."""
    words = str(error.orig) if isinstance(error, DBAPIError) else type(error).__name__
    _log.error(_DATABASE, extra={"reason": next(iter(words.splitlines()), "")[:LONGEST]})


class Seldom(logging.Filter):
    """Lets so many lines of a kind a minute pass, of a database that is away one; ``clock``: seconds, never going back."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._clock, self._lock = clock, threading.Lock()
        self._kinds: dict[object, list[float]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Say whether a line is written; the first after a pause says how many were not."""
        if _is_away(record):
            record.msg, record.args, record.exc_info = _DATABASE, (), None
            kind: object = _DATABASE
            most = 1
        else:
            kind, most = (record.name, record.levelno, record.msg, _last_place(record)), MOST_ALIKE
        with self._lock:
            left_out = self._left_out(kind, most)
        if left_out:
            record.left_out = left_out
        return left_out is not None

    def _left_out(self, kind: object, most: int) -> int | None:
        """Return how many of a kind were left out before this one, None where this one is left out too."""
        now = self._clock()
        if len(self._kinds) >= MOST_KINDS and kind not in self._kinds:
            self._kinds.clear()
        begun, count, gone = self._kinds.get(kind, (now, 0.0, 0.0))
        if now - begun >= A_MINUTE:
            begun, count = now, 0.0
        passes = count < most
        self._kinds[kind] = [begun, count + 1, 0.0 if passes else gone + 1]
        return int(gone) if passes else None


def _is_away(record: logging.LogRecord) -> bool:
    raised = record.exc_info[1] if record.exc_info else None
    # The pool tells of each connection that it lost; the request that wanted it is told of already.
    return record.msg == _DATABASE or isinstance(raised, AWAY) or record.name.startswith("sqlalchemy.pool")


def _last_place(record: logging.LogRecord) -> tuple[object, int] | None:
    """Return where an error was raised, None where a line tells of none."""
    found = list(_errors(record.exc_info[1])) if record.exc_info else []
    trace = found[0].__traceback__ if found else None
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    return (trace.tb_frame.f_code, trace.tb_lineno) if trace is not None else None


def _begun(_logger: object, _method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    """Return a line's first fields, of the record whatever library wrote it."""
    record: logging.LogRecord = event["_record"]
    now, said = time.gmtime(record.created), event["event"].strip()
    return {
        "time": f"{time.strftime('%Y-%m-%dT%H:%M:%S', now)}.{int(record.msecs):03}Z",
        "level": record.levelname.lower(),
        # asyncio appends what it was about, error's words included.
        "event": said.partition("\n")[0] if record.name == "asyncio" else said,
        **{name: event[name] for name in ("_record", "_from_structlog", "exc_info") if name in event},
    }


def _of_error(_logger: object, _method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    """Put kinds and places in the stead of an error."""
    info = event.pop("exc_info", None)
    if info and info[1] is not None:
        event["error"] = [f"{type(each).__module__}.{type(each).__qualname__}" for each in _errors(info[1])]
        event["at"] = [where for each in _errors(info[1]) for where in _frames(each)][-MOST_FRAMES:]
    return event


_SHAPE = (
    _begun,
    structlog.stdlib.add_logger_name,
    CallsiteParameterAdder([CallsiteParameter.PROCESS]),
    structlog.contextvars.merge_contextvars,
    structlog.stdlib.ExtraAdder(EXTRAS),
    _of_error,
    structlog.stdlib.ProcessorFormatter.remove_processors_meta,
)
"""What makes a line of a record, in the order of its fields."""


def _rendered(logger: Any, method: str, event: MutableMapping[str, Any]) -> str:
    """Return a line as JSON of printable ASCII, so that no value begins a line of its own or steers a terminal."""
    text = structlog.processors.JSONRenderer(default=str)(logger, method, event)
    return str(text).replace("\x7f", "\\u007f")


def _errors(error: BaseException | None) -> Iterator[BaseException]:
    """Yield an error and what it came of, each once."""
    seen: set[int] = set()
    while error is not None and id(error) not in seen:
        seen.add(id(error))
        yield error
        error = error.__cause__ or (None if error.__suppress_context__ else error.__context__)


def _frames(error: BaseException) -> Iterator[str]:
    for frame in traceback.extract_tb(error.__traceback__):
        path = Path(frame.filename)
        shown = path.relative_to(_HERE) if path.is_relative_to(_HERE) else Path(*path.parts[-3:])
        yield f"{shown}:{frame.lineno} {frame.name}"


def _thread_failed(failed: threading.ExceptHookArgs) -> None:
    if failed.exc_value is not None:
        info = (failed.exc_type, failed.exc_value, failed.exc_traceback)
        _log.error("a thread ended by an error", exc_info=info)

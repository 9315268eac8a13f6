"""The commands around the model: fit, advise, check."""

import argparse
import datetime as dt
import json
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NoReturn

from service.advice.advise import advise_json
from service.cli.command_line import Commands, add
from service.cli.common import opened
from service.core import problems
from service.core.database import Database
from service.core.errors import Code, ConflictError, FieldCode, FieldProblem, InvalidInputError
from service.core.scopes import AllDealers
from service.modelling import fit_runs, fits, model_page, versions
from service.operations import health
from service.privacy import retention
from service.settings import Settings

BAR = 30
"""Characters of the progress bar."""


def add_to(commands: Commands) -> None:
    """Add the commands of this module."""
    fitting = add(commands, "fit", fit, "python -m service fit")
    other = fitting.add_mutually_exclusive_group()
    other.add_argument("--list", action="store_true", help="list the versions instead")
    other.add_argument(
        "--adopt", type=int, metavar="ID", help="put this version in use instead, a candidate or an earlier one"
    )
    other.add_argument(
        "--report",
        type=Path,
        metavar="FILE",
        help="write what the version in use has learnt as one page of HTML instead",
    )
    advising = add(commands, "advise", advise, """echo '{"instrument": "cello"}' | python -m service advise""")
    advising.add_argument("file", nargs="?", type=Path, metavar="FILE", help="the answers; default: standard input")
    add(commands, "check", check, "python -m service check")


def fit(asked: argparse.Namespace, settings: Settings) -> int:
    """Fit and check a version, list the versions, or put one in use."""
    with opened(settings) as database:
        if asked.list:
            _print_versions(database)
        elif asked.adopt is not None:
            with database.writing() as session:
                versions.adopt(session, asked.adopt)
            print(f"Version {asked.adopt} is in use.")
        elif asked.report is not None:
            _write_report(database, asked.report, demo=settings.demo)
        else:
            token = os.environ.get(fit_runs.TOKEN)
            progress = bar() if sys.stderr.isatty() else None
            for line in fit_runs.run(database, token, progress).lines:
                print(line)
    return 0


def _write_report(database: Database, file: Path, *, demo: bool) -> None:
    with database.reading() as session:
        page = model_page.page_of(session, AllDealers(), demo=demo)
    model_page.write(file, page)
    print(f"What the version in use has learnt is in {file}.")


def bar() -> fits.Progress:
    """Return a progress bar on a terminal's standard error."""

    def show(done: int, steps: int) -> None:
        full = BAR * done // steps
        sys.stderr.write(f"\r[{'#' * full}{'.' * (BAR - full)}] {done} of {steps}" + ("\n" if done >= steps else ""))
        sys.stderr.flush()

    return show


def _print_versions(database: Database) -> None:
    with database.reading() as session:
        known = versions.listing(session)
    for version in known:
        print(_version_line(version))
    if not known:
        print("No version has been fitted yet.")


def _version_line(version: versions.ListedVersion) -> str:
    said = [f"{version.version}: fitted {version.fitted_at:%Y-%m-%d %H:%M} UTC", f"{version.trials} trials"]
    if version.error is not None and version.tier_mean_error is not None:
        said.append(f"error {version.error:.3f} points (tier mean {version.tier_mean_error:.3f})")
    if version.adopted:
        said.append("in use")
    elif not version.used:
        said.append(f"a candidate: {version.why}")
    if version.put_away:
        said.append("its file was put away")
    return ", ".join(said)


def advise(asked: argparse.Namespace, settings: Settings) -> int:
    """Answer one JSON document with one, JSON lines with JSON lines; status 1 if any could not be used."""
    text = _answers(asked.file)
    with opened(settings) as database:
        try:
            body = _parse(text)
        except ConflictError:
            lines = [(number, line) for number, line in enumerate(text.splitlines(), 1) if line.strip()]
            if len(lines) < 2 or not _are_json_lines(lines):
                raise
            return _advise_lines(database, lines)
        reply = _reply(database, body)
        print(json.dumps(reply, indent=2, ensure_ascii=False, allow_nan=False))
        return 1 if "error" in reply else 0


def _advise_lines(database: Database, lines: list[tuple[int, str]]) -> int:
    status = 0
    for number, line in lines:
        try:
            reply = _reply(database, _parse(line, number))
        except ConflictError as error:
            unreadable = FieldProblem("", str(error), FieldCode.UNREADABLE)
            reply = {"error": problems.details(Code.INVALID, str(error), [unreadable])}
        status = max(status, int("error" in reply))
        print(json.dumps(reply, ensure_ascii=False, allow_nan=False), flush=True)
    return status


def _reply(database: Database, body: Any) -> dict[str, Any]:
    try:
        return advise_json(database, body, operator=True)
    except InvalidInputError as error:
        return {"error": problems.details(Code.INVALID, "The answers cannot be used.", error.problems)}


def _answers(file: Path | None) -> str:
    data = sys.stdin.buffer.read() if file is None else file.read_bytes()
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ConflictError(f"The answers are not UTF-8 text (byte {error.start + 1}); save them as UTF-8.") from None


def _parse(text: str, line: int | None = None) -> Any:
    """Read JSON by RFC 8259, which knows no NaN; raises `ConflictError` with the line and column of a mistake."""
    try:
        return json.loads(text, parse_constant=_refuse_constant)
    except json.JSONDecodeError as error:
        place = f"line {line or error.lineno}, column {error.colno}"
        raise ConflictError(f"The answers are no JSON: {error.msg} at {place}.") from None
    except RecursionError:
        raise ConflictError("The answers are no usable JSON: they are nested too deeply.") from None


def _refuse_constant(name: str) -> NoReturn:
    raise ConflictError(f"The answers hold {name}, which is no JSON; leave out what is not known.")


def _are_json_lines(lines: list[tuple[int, str]]) -> bool:
    """Say whether the text was meant as one document a line: most lines by themselves are JSON, or the first is an object."""
    return sum(map(_is_whole, lines)) * 2 >= len(lines) or _is_whole(lines[0])


def _is_whole(numbered: tuple[int, str]) -> bool:
    try:
        return isinstance(_parse(numbered[1]), dict)
    except ConflictError:
        return False


def check(_asked: argparse.Namespace, settings: Settings) -> int:
    """Print one line for each part of the service and return 1 if any is unwell."""
    status = 0
    for sentence, well in _findings(settings):
        print(f"{'ok' if well else 'WRONG'}  {sentence}")
        status = max(status, int(not well))
    return status


def _findings(settings: Settings) -> Iterator[tuple[str, bool]]:
    database = Database(settings.database_url)
    try:
        *found, disk = health.findings(database, settings.data_dir)
        yield from ((each.said, each.well) for each in found if each.said)
        further = [health.proxies(settings.public_address, settings.forwarded_allow_ips), disk]
        if all(each.well for each in found if each.part in ("database", "tables")):
            with database.reading() as session:
                yield from retention.findings(database, session, dt.datetime.now(dt.UTC))
                further.append(health.wall(session))
        yield from ((each.said, each.well) for each in further if each.said)
    finally:
        database.close()

"""The house: who may import whom, and how large a file or a function may grow."""

import ast
import itertools
import re
import sys
from collections import Counter
from collections.abc import Iterator
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("model", "service", "seed_data", "tests")
NUMERICS = {"numpy", "scipy", "sklearn"}
WEB = {"fastapi", "starlette", "uvicorn", "jinja2", "httpx"}
FRAMEWORK = {"fastapi", "starlette"}
STORAGE = {"sqlalchemy", "alembic", "psycopg", "sqlite3"}
READS_SETTINGS = ("service/app.py", "service/__main__.py", "service/settings.py", "service/cli/")
LONGEST_FILE, LONGEST_FUNCTION = 500, 60
MOST_NAMES_AT_A_DOOR = 10


def sources(folder: str) -> list[Path]:
    return sorted((ROOT / folder).rglob("*.py"))


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def imports(path: Path) -> Iterator[str]:
    """Yield the full name of everything that a file imports, wherever in it."""
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def found(folder: str, *forbidden: str) -> list[str]:
    """Return which files of a folder import any of the names or what lies under them."""
    return [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in sources(folder)
        for name in imports(path)
        if any(name == start or name.startswith(f"{start}.") for start in forbidden)
    ]


def test_the_model_knows_no_service_no_web_and_no_database() -> None:
    assert found("model", "service", "seed_data", "tests", *WEB, *STORAGE) == []


def test_the_model_uses_no_library_but_the_numerical_ones() -> None:
    foreign = {name.split(".")[0] for path in sources("model") for name in imports(path)} - NUMERICS - {"model"}
    assert foreign <= sys.stdlib_module_names


def test_the_model_knows_no_clock_and_no_global_chance() -> None:
    assert found("model", "time", "random", "datetime.datetime") == []
    for path in sources("model"):
        text = path.read_text(encoding="utf-8")
        assert "np.random.seed" not in text, path
        assert ".today()" not in text, path
        assert ".now(" not in text, path


def doors() -> list[Path]:
    """Return the files of `service/` that a request comes in by: those that import the web framework."""
    return [path for path in sources("service") if any(name.split(".")[0] in FRAMEWORK for name in imports(path))]


def test_doors_import_no_numerics() -> None:
    words = ("model.domain.vocabulary", "model.domain.records")
    known = [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in doors()
        for name in imports(path)
        if name.split(".")[0] in {"model", *NUMERICS} and not name.startswith(words)
    ]
    assert known == []


def test_doors_leave_tables_and_statements_to_the_use_cases() -> None:
    statements = [f"sqlalchemy.{name}" for name in ("select", "insert", "update", "delete", "text", "func")]
    storage = ("service.tables", "service.inventory.files", "service.modelling.model_records", "alembic", "sqlite3")
    touched = [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in doors()
        for name in imports(path)
        if name.startswith((*statements, *storage))
    ]
    assert touched == []


def test_tables_import_nothing_of_the_service() -> None:
    of_service = [name for path in sources("service/tables") for name in imports(path) if name.startswith("service")]
    assert [name for name in of_service if not name.startswith("service.tables")] == []


def test_use_cases_know_no_doors() -> None:
    names = {".".join(path.relative_to(ROOT).with_suffix("").parts) for path in doors()}
    known = [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in set(sources("service")) - set(doors())
        for name in imports(path)
        if name in names or name.rpartition(".")[0] in names
    ]
    assert sorted(known) == [
        "service/cli/protocol.py imports service.web.security",
        "service/cli/web_server.py imports service.app.create_app",
        "service/trials/compose_form.py imports service.web.permissions.Fields",
        "service/web/desk_forms.py imports service.web.permissions.Fields",
    ]


def package_of(name: str) -> str:
    """Return the package that a module or name lies in; a module beside the rooms stands for itself."""
    parts = name.split(".")
    while len(parts) > 2 and not ROOT.joinpath(*parts).is_dir():
        parts.pop()
    return ".".join(parts)


@cache
def packages() -> dict[str, set[str]]:
    """Return every package of `service/`, at any depth, with the packages that it imports."""
    graph: dict[str, set[str]] = {}
    for path in sources("service"):
        package = package_of(".".join(path.relative_to(ROOT).with_suffix("").parts))
        graph.setdefault(package, set()).update(package_of(name) for name in imports(path))
    return {package: (graph[package] & set(graph)) - {package} for package in graph}


def test_the_packages_of_the_service_import_each_other_one_way_only() -> None:
    order = list(TopologicalSorter(packages()).static_order())
    places = [order.index(f"service.{name}") for name in ("tables", "core", "web", "accounts", "app", "cli")]
    assert places == sorted(places)


def test_core_and_web_know_no_capability() -> None:
    assert packages()["service.tables"] == set()
    assert packages()["service.core"] == {"service.tables"}
    assert packages()["service.web"] == {"service.core", "service.tables"}
    assert packages()["service.mail"] == {"service.core", "service.tables", "service.web"}


def test_templates_stand_in_the_rooms_and_take_each_other_the_same_way() -> None:
    taken = re.compile(r'{%-?\s*(?:extends|import|include|from)\s+"(\w+)/')
    files = [path for path in (ROOT / "templates").rglob("*") if path.is_file()]
    graph = {package: set(others) for package, others in packages().items()}
    for path in files:
        room = f"service.{path.relative_to(ROOT / 'templates').parts[0]}"
        graph[room] |= {f"service.{name}" for name in taken.findall(path.read_text(encoding="utf-8"))} - {room}
    assert len(files) > 90
    TopologicalSorter(graph).prepare()


@pytest.mark.parametrize("folder", ["model", "service", "seed_data"])
def test_private_names_stay_in_their_package(folder: str) -> None:
    taken = [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in sources(folder)
        for name in imports(path)
        if name.startswith(folder) and not name.startswith(".".join(path.relative_to(ROOT).parts[:-1]))
        if any(part.startswith("_") for part in name.split(".")) and not name.endswith(("language._", ".__file__"))
    ]
    assert taken == []


def test_no_two_files_of_the_service_share_a_name() -> None:
    counts = Counter(path.name for path in sources("service") if path.name != "__init__.py")
    assert [name for name, count in counts.items() if count > 1] == []


def test_no_two_classes_of_the_service_share_a_name() -> None:
    classes = [
        node.name for path in sources("service") for node in ast.walk(tree(path)) if isinstance(node, ast.ClassDef)
    ]
    counts = Counter(name for name in classes if not name.startswith("_"))
    # One thing in two forms: as it is kept, and as the API or the form's steps have it.
    assert {name for name, count in counts.items() if count > 1} == {"Contact", "Draft", "Enquiry", "Trial"}


def test_only_the_wiring_and_the_commands_read_settings() -> None:
    readers = found("service", "service.settings", "os.environ", "os.getenv")
    assert [line for line in readers if not line.startswith(READS_SETTINGS)] == []


def test_the_service_imports_no_tests_and_no_demo_data() -> None:
    assert found("service", "tests", "seed_data") == []


@pytest.mark.parametrize("folder", PACKAGES)
def test_no_file_grows_over_its_limit(folder: str) -> None:
    lengths = {
        path.relative_to(ROOT).as_posix(): len(path.read_text(encoding="utf-8").splitlines())
        for path in sources(folder)
    }
    assert {name: length for name, length in lengths.items() if length > LONGEST_FILE} == {}


@pytest.mark.parametrize("folder", PACKAGES)
def test_no_function_grows_over_its_limit(folder: str) -> None:
    lengths = {
        f"{path.relative_to(ROOT)}: {node.name}": code_lines(node)
        for path in sources(folder)
        for node in ast.walk(tree(path))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    }
    assert {name: length for name, length in lengths.items() if length > LONGEST_FUNCTION} == {}


def code_lines(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Return the lines of a function from its `def`, its docstring apart: a table of parameters is no complexity."""
    first = function.body[0]
    told = ast.get_docstring(function) is not None
    docstring = (first.end_lineno or first.lineno) - first.lineno + 1 if told else 0
    return (function.end_lineno or function.lineno) - function.lineno + 1 - docstring


def test_the_top_level_holds_what_it_promises_and_nothing_else() -> None:
    there = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")} - {"var", "__pycache__"}
    assert there <= {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "service",
        "model",
        "templates",
        "tests",
        "seed_data",
    }


def test_the_checks_of_this_file_see_what_they_look_for() -> None:
    assert found("service/inventory/files", "service.tables") != []
    assert ROOT / "service/form/form_routes.py" in doors()
    assert "service.app.create_app" in set(imports(ROOT / "service/cli/web_server.py"))


ROOMS = {
    "domain": (),
    "mixed": ("domain",),
    "choice": ("domain",),
    "bench": ("domain",),
    "features": ("domain", "mixed", "choice", "bench"),
    "preference": ("domain", "mixed", "choice", "features"),
    "trial": ("domain", "choice", "features", "preference"),
    "evaluation": ("domain", "choice", "features", "preference", "trial"),
}


def between_rooms(folder: str) -> Iterator[tuple[str, str, str]]:
    """Yield the file, the room it is in, and what it imports of another room of the same folder."""
    for path in sources(folder):
        room = path.relative_to(ROOT / folder).parts[0]
        for name in imports(path):
            if name.startswith(f"{folder}.") and name.split(".")[1] not in {room, room.removesuffix(".py")}:
                yield path.relative_to(ROOT).as_posix(), room, name


def test_the_rooms_of_the_model_are_imported_upwards_only() -> None:
    assert {path.name for path in (ROOT / "model").iterdir() if path.is_dir()} - {"__pycache__"} == set(ROOMS)
    against = [
        f"{file} imports {name}" for file, room, name in between_rooms("model") if name.split(".")[1] not in ROOMS[room]
    ]
    assert against == []


NAMES_AT_WIDER_DOORS = {"bench": 14, "features": 35, "preference": 43, "trial": 39, "evaluation": 21}
"""Each a record, a figure of one of the model's pages, or a column: see the decision of the doors. May fall, not rise."""


@pytest.mark.parametrize("room", sorted(set(ROOMS) - {"domain"}))
def test_a_room_of_the_model_is_entered_by_its_door_alone(room: str) -> None:
    """Whoever is outside, the model's own tests and benchmarks apart, imports what the package itself names; and it names few things."""
    door, inside = f"model.{room}", ROOT / "model" / room
    named = {
        name
        for node in tree(inside / "__init__.py").body
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__"
        for name in ast.literal_eval(node.value)
    }
    assert 1 <= len(named) <= NAMES_AT_WIDER_DOORS.get(room, MOST_NAMES_AT_A_DOOR)
    around = [
        f"{path.relative_to(ROOT)} imports {name}"
        for folder in ("model", "service", "seed_data", "tests/service")
        for path in sources(folder)
        if inside not in path.parents
        for name in imports(path)
        if name.startswith(f"{door}.") and name.removeprefix(f"{door}.") not in named
    ]
    assert around == []


def test_no_private_name_of_the_model_leaves_its_room() -> None:
    private = [f"{file} imports {name}" for file, _, name in between_rooms("model") if "._" in name]
    assert private == []


MOVES = {"click", "dblclick", "tap", "press"}
LOOKS = {"is_visible", "is_hidden", "is_enabled", "is_disabled", "is_checked", "is_editable"}


def called(node: ast.AST) -> set[str]:
    """Return the names of all methods that a piece of code calls."""
    calls = [each.func for each in ast.walk(node) if isinstance(each, ast.Call)]
    return {each.attr for each in calls if isinstance(each, ast.Attribute)}


def hasty(source: ast.Module) -> Iterator[int]:
    """Yield the lines that look at a page without waiting: asserting a state of it, or anything right after a click."""
    for node in ast.walk(source):
        if isinstance(node, ast.Assert) and called(node) & LOOKS:
            yield node.lineno
        steps = getattr(node, "body", [])
        for step, after in itertools.pairwise(steps if isinstance(steps, list) else []):
            if isinstance(step, ast.Expr) and called(step) & MOVES and isinstance(after, ast.Assert):
                yield after.lineno


def test_journeys_wait_for_what_a_click_brings() -> None:
    found_out = "page.click('a')\nassert page.inner_text('h1')\nassert not page.locator('b').is_visible()"
    assert list(hasty(ast.parse(found_out))) == [2, 3]
    # `going.follow` waits for a page, `playwright.sync_api.expect` for a state of one.
    lines = [f"{path.relative_to(ROOT)}:{line}" for path in sources("tests/journeys") for line in hasty(tree(path))]
    assert lines == []

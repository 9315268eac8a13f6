"""The API keeps its own description: requests drawn from it, right ones and wrong ones, by everybody who may ask."""

import copy
from collections.abc import Iterator

import jsonschema_rs
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode

from tests.service import described
from tests.service.client import settings_in
from tests.service.described import World

WITH_BODY = [
    ("POST", "/api/v1/advice"),
    ("POST", "/api/v1/trials"),
    ("PUT", "/api/v1/trials/{trial}/runs/{run_id}"),
    ("POST", "/api/v1/trials/{trial}/outcome"),
]
WITHOUT = [
    ("GET", "/api/v1/enquiries"),
    ("GET", "/api/v1/enquiries/{enquiry}"),
    ("GET", "/api/v1/trials"),
    ("GET", "/api/v1/trials/{trial}"),
    ("GET", "/api/v1/range"),
    ("GET", "/api/v1/stock"),
    ("GET", "/api/v1/trials/{trial}/standing"),
    ("GET", "/healthz"),
    ("GET", "/health/live"),
    ("GET", "/health/ready"),
]
"""There is nothing to get wrong in these but the trial or enquiry, of which any other is not there, and the mark of a list."""
EXAMPLES, PLAIN = 80, 30
"""Of each operation with a body, half of them right and half wrong, and of each without; drawn alike in every run, and not made
smaller where one fails. `python -m tests.benchmarks attack api` draws as many as one likes."""
drawn = settings(
    max_examples=EXAMPLES // 2,
    derandomize=True,
    database=None,
    deadline=None,
    phases=(Phase.generate,),
    suppress_health_check=list(HealthCheck),
)


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    free = {"advice_per_minute": 0, "cost_per_minute": 0}
    with described.world(settings_in(tmp_path_factory.mktemp("described"), **free)) as world:
        yield world


def test_every_operation_is_asked(world: World) -> None:
    described_ones = {
        (method.upper(), path)
        for path, operations in world.app.openapi()["paths"].items()
        for method in operations
        if method != "parameters"
    }
    assert described_ones == {*WITH_BODY, *WITHOUT}


@pytest.mark.parametrize(("method", "path"), WITH_BODY)
@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE], ids=["right", "wrong"])
def test_every_answer_is_as_described(world: World, method: str, path: str, mode: GenerationMode) -> None:
    # ASVS 5.0, 2.2.1 and 4.1.1: what is taken is described, and what is not described is refused, in the one shape of errors.
    @drawn
    @given(st.data())
    def ask(data: st.DataObject) -> None:
        case, who = data.draw(described.requests(world, method, path, mode))
        assert world.judge(case, who) == []

    ask()


@pytest.mark.parametrize(("method", "path"), WITHOUT)
def test_every_answer_without_a_body_is_as_described(world: World, method: str, path: str) -> None:
    @settings(drawn, max_examples=PLAIN)
    @given(st.data())
    def ask(data: st.DataObject) -> None:
        case, who = data.draw(described.requests(world, method, path, GenerationMode.POSITIVE))
        assert world.judge(case, who) == []

    ask()


def test_operations_have_names_of_their_own_and_links_lead_to_them(world: World) -> None:
    # OpenAPI 3.1, 4.8.10.1 (operationId is unique) and 4.8.20 (a link names an operation and its parameters).
    found = [each for path in world.app.openapi()["paths"].values() for each in path.values()]
    parameters = {each["operationId"]: {one["name"] for one in each.get("parameters", ())} for each in found}
    assert len(parameters) == len(found)
    assert max(map(len, parameters)) <= 12
    links = [link for each in found for link in each["responses"]["200"].get("links", {}).values()]
    reading = {"enquiry", "trial", "enquiries", "trials", "range", "stock"}
    assert {link["operationId"] for link in links} == {"compose", "keep_sheet", "standing", "outcome"} | reading
    assert all(set(link.get("parameters", ())) <= parameters[link["operationId"]] for link in links)


def test_the_description_is_a_valid_one(world: World) -> None:
    # By a library that is not ours, against the schema that OpenAPI 3.1 publishes; it raises for what breaks it.
    world.described.validate()
    broken = copy.deepcopy(world.app.openapi())
    broken["paths"]["/api/v1/stock"]["get"]["responses"] = []
    with pytest.raises(jsonschema_rs.ValidationError):
        schemathesis.openapi.from_dict(broken).validate()


def test_every_operation_has_one_tag_that_is_described_and_every_key_is(world: World) -> None:
    # OpenAPI 3.1, 4.8.22 and 4.8.30.
    description = world.app.openapi()
    found = [each for path in description["paths"].values() for each in path.values()]
    tags = [tag["name"] for tag in description["tags"]]
    assert {tuple(each["tags"]) for each in found} == {(tag,) for tag in tags}
    asked = {name for each in found for one in each.get("security", ()) for name in one}
    assert asked == set(description["components"]["securitySchemes"])


def test_every_body_and_every_answer_has_an_example_that_is_true(world: World) -> None:
    description = world.app.openapi()
    models, refused = description["components"]["schemas"], []
    contents = [
        content
        for path in description["paths"].values()
        for each in path.values()
        for part in (each.get("requestBody"), each["responses"]["200"], each["responses"]["400"])
        for content in (part or {}).get("content", {}).values()
    ]
    names = {content["schema"]["$ref"].rpartition("/")[2] for content in contents}
    assert {"Questionnaire", "SheetIn", "Advice", "Stock", "Problem", "Health"} <= names
    for name in names:
        by = jsonschema_rs.Draft202012Validator(
            {"$ref": f"#/components/schemas/{name}", "components": description["components"]}
        )
        examples = models[name].get("examples", ())
        refused += [name for example in examples if not by.is_valid(example)] or ([] if examples else [name])
    assert refused == []


def test_the_description_says_what_the_service_takes_and_no_more(world: World) -> None:
    # JSON Schema 2020-12, which OpenAPI 3.1 uses.
    models = world.app.openapi()["components"]["schemas"]
    sheet, advice, trial = models["SheetIn"], models["Questionnaire"], models["TrialIn"]
    assert {models[name]["additionalProperties"] for name in ("SheetIn", "Questionnaire", "TrialIn", "OutcomeIn")} == {
        False
    }
    assert models["Consent"]["properties"]["advice"]["const"] is True
    assert (sheet["properties"]["revision"]["minimum"], sheet["properties"]["revision"]["maximum"]) == (
        1,
        1_000_000_000,
    )
    assert sheet["properties"]["ratings"]["propertyNames"]["enum"][0] == "overall"
    assert (advice["properties"]["tried"]["maxItems"], trial["properties"]["copies"]["maxItems"]) == (20, 12)
    put = world.app.openapi()["paths"]["/api/v1/trials/{trial}/runs/{run_id}"]["put"]
    run_id = next(each["schema"] for each in put["parameters"] if each["name"] == "run_id")
    assert run_id["pattern"] == "^[A-Za-z0-9_-]{8,64}$"

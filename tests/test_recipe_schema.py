"""The schema and the descriptions say what the loader accepts, for every stage there is."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from ruamel.yaml import YAML

from tilepipe.errors import RecipeError
from tilepipe.recipe.describe import UNSET, describe_all, describe_stage
from tilepipe.recipe.load import load_recipe
from tilepipe.recipe.model import STEP_KEYS
from tilepipe.recipe.schema import recipe_schema, schema_text
from tilepipe.recipe.steps import read_steps
from tilepipe.stages.stage import all_stages

ROOT = Path(__file__).resolve().parent.parent
CONFIGS = sorted((ROOT / "configs").glob("*.yaml"))
STAGES = sorted(all_stages())


def validator() -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(recipe_schema())


def data_of(text: str) -> Any:
    return YAML(typ="safe", pure=True).load(text)


def errors_of(value: Any) -> list[str]:
    return [error.message for error in validator().iter_errors(value)]


def step_of(name: str, values: Any) -> dict[str, Any]:
    return {"frames": ["a.tif"], "steps": [{name: values}]}


def test_the_schema_is_one():
    jsonschema.Draft202012Validator.check_schema(recipe_schema())
    assert json.loads(schema_text()) == recipe_schema()
    assert schema_text() == schema_text()


def test_every_reference_leads_somewhere():
    definitions = set(recipe_schema()["$defs"])

    def references(value: Any) -> set[str]:
        if isinstance(value, list):
            return set().union(*map(references, value))
        if not isinstance(value, dict):
            return set()
        own = {value["$ref"]} if isinstance(value.get("$ref"), str) else set()
        return own.union(*map(references, value.values()))

    assert references(recipe_schema()) <= {f"#/$defs/{name}" for name in definitions}


@pytest.mark.parametrize("path", CONFIGS, ids=[path.name for path in CONFIGS])
def test_the_recipes_that_come_along_load_and_fit_the_schema(path: Path):
    assert errors_of(data_of(path.read_text(encoding="utf-8"))) == []
    recipe = load_recipe(path, check_files=False)
    assert recipe.active_steps


@pytest.mark.parametrize("name", STAGES)
def test_every_stage_describes_all_its_parameters(name: str):
    described = describe_stage(name)
    assert described.sentence.endswith(".")
    for row in described.rows:
        assert row.sentence.endswith((".", "?")), row
        assert row.allowed, row
        assert row.default, row
    assert not set(all_stages()[name].model_fields) & set(STEP_KEYS)


@pytest.mark.parametrize("name", STAGES)
def test_every_stage_s_defaults_read_back_through_loader_and_schema(name: str):
    stage = all_stages()[name]
    if any(field.is_required() for field in stage.model_fields.values()):
        pytest.skip(f"{name} has parameters without a default")
    values = stage().parameters()
    assert errors_of(step_of(name, values)) == []
    frames = 2 if stage.kind in ("measure", "blend") else 1
    steps = [{name: values}] + ([{"blend": {}}] if stage.kind == "measure" else [])
    assert read_steps(steps, frames=frames)[0].stage == stage()


@pytest.mark.parametrize("name", STAGES)
def test_every_example_can_be_read(name: str):
    example = describe_stage(name).example
    if "…" not in example:
        assert errors_of({"frames": ["a.tif"], "steps": data_of(example)}) == []
    for row in describe_stage(name).rows:
        assert row.default != UNSET or f"{row.name}:" not in example


@pytest.mark.parametrize("name", STAGES)
def test_unknown_values_are_refused_by_both(name: str):
    assert errors_of(step_of(name, {"nonsense": 1}))
    with pytest.raises(RecipeError, match=f"is not a parameter of `{name}`"):
        read_steps([{name: {"nonsense": 1}}], frames=2)


GOOD = [
    {"frames": "*.dng"},
    {"based_on": "other.yaml", "steps": [{"local_contrast": {"range": 0.5, "id": "a", "on": False, "strength": 0.2}}]},
    {"frames": [{"file": "a.tif", "light": "+2EV"}, {"file": "b.tif", "light": "0EV"}], "base": 1, "masks": {}},
    {"frames": [{"file": "a.tif", "exposure": {"seconds": "1/30", "f_number": 8}, "encoding": "gamma:2.2"}]},
    {"frames": [{"file": "a.dng", "colour_matrix": [[1, 0, 0], [0, 1, 0], [0, 0, 1.0]], "alpha": "ignore"}]},
    {"frames": [{"file": "a.dng", "noise": {"shot": 3e-4, "read": 4e-6}}]},
    {"frames": "*.dng", "deliver": ["tiff", {"kind": "jpeg", "quality": 80, "long_side": "2048px"}]},
    {"frames": "*.dng", "deliver": "png", "steps": ["local_contrast", {"exposure": "+1EV"}]},
]
BAD = [
    {}, {"frames": "*.dng", "extra": 1}, {"frames": "*.dng", "base": 1.5}, {"frames": "*.dng", "masks": {"sky": {}}},
    {"frames": "*.dng", "steps": [{"local_contrast": {"range": 99}}]},
    {"frames": "*.dng", "steps": [{"local_contrast": {"edge": 1}}]},
    {"frames": "*.dng", "steps": [{"local_contrast": {}, "exposure": {}}]},
    {"frames": "*.dng", "steps": ["nothing"]}, {"frames": "*.dng", "steps": [{}]},
    {"frames": [{"file": "a.tif", "light": 2}]}, {"frames": [{"light": "2EV"}]},
    {"frames": "*.dng", "deliver": [{"kind": "tiff", "quality": 80}]}, {"frames": "*.dng", "deliver": [{"name": "x"}]},
    {"frames": "*.dng", "deliver": [{"kind": "tiff", "bits": 12}]},
    {"frames": [{"file": "a.tif", "colour_matrix": [1, 2, 3]}]},
]


@pytest.mark.parametrize("value", GOOD)
def test_good_recipes(value: Any):
    assert errors_of(value) == []


@pytest.mark.parametrize("value", BAD)
def test_bad_recipes(value: Any):
    assert errors_of(value)
    with pytest.raises(RecipeError):
        load_recipe(json.dumps(value) + "\n", check_files=False)


def test_parameters_carry_unit_range_default_and_sentence():
    edge = recipe_schema()["$defs"]["stage.local_contrast"]["anyOf"][0]["properties"]["edge"]
    assert (edge["unit"], edge["default"], edge["range"]) == ("EV", "1.0EV", "0.25EV to 4EV")
    assert edge["description"].endswith(".")


def test_all_stages_are_described_and_unknown_ones_refused():
    assert [described.name for described in describe_all()] == list(all_stages())
    with pytest.raises(RecipeError, match="did you mean `local_contrast`"):
        describe_stage("local-contrast")

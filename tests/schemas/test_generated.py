"""What is printed from the declarations is what the declarations say."""

from __future__ import annotations

import json

import pytest

from schemas.generate import HERE, generated


@pytest.mark.parametrize("name", sorted(generated()))
def test_a_generated_file_is_current(name: str) -> None:
    assert generated()[name] == (HERE / name).read_text(encoding="utf-8"), "run 'make schemas'"


@pytest.mark.parametrize("name", ["job", "profile", "shop"])
def test_a_json_schema_knows_every_key_of_its_model(name: str) -> None:
    from schemas.json_schemas import MODELS

    schema = json.loads((HERE / f"{name}.schema.json").read_text(encoding="utf-8"))
    assert set(MODELS[name].model_fields) == set(schema["properties"])
    assert schema["additionalProperties"] is False

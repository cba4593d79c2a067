"""The JSON Schemas of the TOML models, for editors that complete and check them."""

from __future__ import annotations

import json
from typing import Final

from schemas.customer import Customer
from schemas.job import Job
from schemas.model import Model
from schemas.profile import Profile
from schemas.shop import Shop

MODELS: Final[dict[str, type[Model]]] = {"customer": Customer, "job": Job, "profile": Profile, "shop": Shop}


def json_schema(name: str) -> str:
    """Return the JSON Schema of the model *name* (customer, job, profile, shop) as text."""
    schema = MODELS[name].model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    return json.dumps(schema, indent=2, ensure_ascii=False, sort_keys=True) + "\n"

"""What a shop writes: every mistake gets one sentence that names file, key and what is allowed."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from schemas.errors import BadInput
from schemas.job import Job
from schemas.model import Model
from schemas.profile import Profile
from schemas.shop import Shop

SHOP = Path(__file__).parents[2] / "sample_captures" / "shop"


def _load(model: type[Model], name: str, tmp_path: Path, old: str, new: str) -> Model:
    text = (SHOP / name).read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / Path(name).name
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return model.load(path)


@pytest.mark.parametrize(
    ("model", "name", "old", "new", "sentence"),
    [
        (Job, "jobs/gate-leaf.toml", 'unit = "mil"', 'unit = "furlong"', "unit is 'furlong': input should be 'um' or 'mil'"),
        (Job, "jobs/gate-leaf.toml", "lower = 2.0", "lower = 9.0", "location['front face']: lower 9.0 is above target_low 3.0; limits are reversed, swap them"),
        (Job, "jobs/gate-leaf.toml", 'name = "back face"', 'name = "Front Face"', "location 'Front Face' stands twice; give each its own name"),
        (Job, "jobs/gate-leaf.toml", 'name = "every-reading"', 'name = "each-one"', "rule.name is 'each-one'"),
        (Job, "jobs/gate-leaf.toml", "spots = 1", "sports = 1", "location['front face'].sports is not a key that is known here; correct or remove it"),
        (Job, "jobs/gate-leaf.toml", 'title = "Garden-gate leaf, 1.2 m"', "", "title is missing; add it"),
        (Job, "jobs/gate-leaf.toml", "lower = 2.0", "lower = 2.00001", "location['front face'].lower is '2.00001'"),
        (Job, "jobs/gate-leaf.toml", "lower = 2.0", "lower = 2,0", "not valid TOML"),
        (Job, "jobs/gate-leaf.toml", "[rule]", "[rule", "not valid TOML"),
        (Job, "jobs/mast-plate.toml", "spots = 5", "spots = 4", "location 'top side': rule sspc-pa2 needs spots of 5"),
        (Job, "jobs/mast-plate.toml", "base_reading = true", "", "blasted is true but base_reading is not"),
        (Job, "jobs/bollard.toml", "upper = 180", "", "rule iso-19840 needs lower, the nominal film build, and upper"),
        (Shop, "shop.toml", 'time_zone = "Europe/Dublin"', 'time_zone = "Middle/Earth"', "time_zone is 'Middle/Earth': no such time zone"),
        (Shop, "shop.toml", 'serial = "FB-11"', 'serial = "FB-07"', "gauge 'FB-07' stands twice"),
        (Shop, "shop.toml", "calibrated_on = 2026-04-14", "calibrated_on = 2028-04-14", "gauge['FB-07']: calibrated_on 2028-04-14 is after calibration_due 2027-04-13; swap them"),
        (Profile, "profiles/plain-number.toml", 'unit = "mil"', "", "neither a group unit nor the key unit says what the figures are in"),
        (Profile, "profiles/plain-number.toml", 'unit = "mil"', 'unit = "ell"', "unit is 'ell': unknown unit"),
        (Profile, "profiles/plain-number.toml", "(?P<thickness>[-+]?[0-9.,]+)", "(?P<thickness>[", "not a regular expression"),
        (Profile, "profiles/plain-number.toml", "?P<thickness>", "?P<thicknes>", "no group (?P<thickness>...)"),
        (Profile, "profiles/delimited.toml", 'time_format = "%Y-%m-%d %H:%M:%S"', "", "the group time needs time_format"),
    ],
)  # fmt: skip
def test_a_mistake_gets_one_sentence(
    model: type[Model], name: str, old: str, new: str, sentence: str, tmp_path: Path
) -> None:
    with pytest.raises(BadInput) as caught:
        _load(model, name, tmp_path, old, new)
    assert str(tmp_path / Path(name).name) in caught.value.sentence
    assert sentence in caught.value.sentence
    assert "\n" not in caught.value.sentence.strip()


def test_a_number_in_quotes_is_not_taken_for_one(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="lower is '2.0': must be a number, without quotes"):
        _load(Job, "jobs/gate-leaf.toml", tmp_path, "lower = 2.0", 'lower = "2.0"')


def test_a_number_keeps_the_digits_that_were_written(tmp_path: Path) -> None:
    job = _load(Job, "jobs/gate-leaf.toml", tmp_path, "lower = 2.0", "lower = 2.05")
    assert isinstance(job, Job)
    assert Decimal("2.05") == job.location[0].lower


def test_a_location_may_have_one_limit(tmp_path: Path) -> None:
    job = _load(Job, "jobs/gate-leaf.toml", tmp_path, "upper = 5.0", "")
    assert isinstance(job, Job)
    assert (Decimal("2.0"), None) == (job.location[0].lower, job.location[0].upper)


def test_a_job_survives_its_own_json() -> None:
    for path in sorted((SHOP / "jobs").glob("*.toml")):
        job = Job.load(path)
        assert job == Job.from_json(job.to_json())


def test_a_missing_file_gets_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="there is no such file"):
        Job.load(tmp_path / "none.toml")


def test_a_file_that_is_not_utf8_gets_one_sentence(tmp_path: Path) -> None:
    path = tmp_path / "latin.toml"
    path.write_bytes('title = "Grün"'.encode("latin-1"))
    with pytest.raises(BadInput, match="byte 12 is not UTF-8; save the file as UTF-8"):
        Job.load(path)

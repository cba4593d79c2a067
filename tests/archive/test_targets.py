"""Where a file that a person names may be written."""

from __future__ import annotations

from pathlib import Path

import pytest

from archive.shop_folder import ShopFolder
from archive.targets import demand_new, demand_target
from schemas.errors import BadInput
from tests.front.shop import sample_shop


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    return sample_shop(tmp_path / "shop")


@pytest.mark.parametrize(
    "name", ["time.pem", "Lists/One.CRL", "lists/two.crl", "signers.pem", "logo.svg", "oj.p12", "password.txt"]
)
def test_what_shop_toml_names_is_the_shops_own(shop: Path, name: str) -> None:
    toml = shop / "shop.toml"
    told = toml.read_text(encoding="utf-8").replace('code = "oj"', 'code = "oj"\nidentity = "./oj.p12"')
    told += '\n[signature]\ntsa_roots = "time.pem"\nsigner_roots = "signers.pem"\n'
    told += f'tsa_username = "us"\ntsa_password_file = "{shop}/password.txt"\ncrl_files = ["lists/one.crl", "lists/../lists/two.crl"]\n'
    toml.write_text(told, encoding="utf-8")
    ShopFolder(shop).shop()
    (shop / name).parent.mkdir(exist_ok=True)
    with pytest.raises(BadInput, match="belongs to what the shop keeps"):
        demand_target(shop / name, (), replace=True)
    demand_target((shop / name).with_name("another"), (), replace=False)


def test_a_shop_file_that_is_wrong_hides_nothing_else(shop: Path) -> None:
    (shop / "shop.toml").write_text("name = ", encoding="utf-8")
    for name in ("orders.csv", "shop.toml", "archive/x.csv"):
        (shop / name).parent.mkdir(exist_ok=True)
        with pytest.raises(BadInput, match="belongs to what the shop keeps"):
            demand_new(shop / name)


def test_what_is_never_written_over_does_not_offer_to(tmp_path: Path) -> None:
    demand_new(tmp_path / "new")
    (tmp_path / "dangling").symlink_to(tmp_path / "nowhere")
    with pytest.raises(BadInput, match="is there already and is not written over; name another file"):
        demand_new(tmp_path / "dangling")

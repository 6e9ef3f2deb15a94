"""docs/profiles.md says what the models say: every key, every default, and examples that work."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from pydantic import BaseModel

from profiles import model
from profiles.checking import check_text
from profiles.checksums import own_names
from profiles.items import ITEM_KEYS
from tests.pages import as_written, rows

TEXT = (Path(__file__).parents[2] / "docs" / "profiles.md").read_text("utf-8")

SECTIONS: dict[str, type[BaseModel]] = {
    "The file": model.Profile,
    "`[line]`": model.LineSettings,
    "`[confirm]`": model.Confirmation,
    "`[address]`": model.Address,
    "`[states.NAME]`": model.StateSpec,
    "`[actions.NAME]`": model.Action,
    "`[actions.NAME.parameters.NAME]`": model.Parameter,
    "`hex`": model.HexItem,
    "`text`": model.TextItem,
    "`address`": model.AddressItem,
    "`field`": model.FieldItem,
    "`counter`": model.CounterItem,
    "`check`": model.CheckItem,
    "`any`": model.AnyItem,
    "`pause_ms`": model.PauseItem,
    "`[[reply]]` and `[[actions.NAME.reply]]`": model.Reply,
    "`[[observations]]`": model.Observation,
    "`[[evidence]]`": model.Evidence,
}


@pytest.mark.parametrize(("title", "kind"), SECTIONS.items())
def test_every_key_and_its_default(title: str, kind: type[BaseModel]) -> None:
    wanted = {
        field.alias or name: as_written(field.get_default(call_default_factory=True, validated_data={}))
        for name, field in kind.model_fields.items()
    }
    assert {key: default for key, (default,) in rows(TEXT, title).items()} == wanted


def test_no_table_is_left_out() -> None:
    kinds = {
        kind
        for kind in vars(model).values()
        if isinstance(kind, type) and issubclass(kind, BaseModel) and kind.__name__ in model.__all__
    }
    assert kinds == set(SECTIONS.values())
    assert {f"`{key}`" for key in ITEM_KEYS} <= SECTIONS.keys()


def test_the_least_profile_works() -> None:
    (least,) = (block for block in re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL) if "schema" in block)
    assert check_text(least, "docs/profiles.md").faults == ()


def test_own_checks_are_named() -> None:
    assert all(f"`{name}`" in TEXT for name in own_names())

"""docs/site.md says what the models say: every key, what it can be, its default; and its example works."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from pydantic import BaseModel

from controller import sequences_model, site_model, triggers_model
from controller.site import check_site
from tests.pages import as_written, rows, values_of

TEXT = (Path(__file__).parents[2] / "docs" / "site.md").read_text("utf-8")

SECTIONS: dict[str, type[BaseModel]] = {
    "The file": site_model.Site,
    "`[site]`": site_model.SiteSpec,
    "`[buses.BUS]`": site_model.BusSpec,
    "`[units.UNIT]`": site_model.UnitSpec,
    "`[units.UNIT.sense]`": site_model.SenseSpec,
    "`[sequences.NAME]`": sequences_model.SequenceSpec,
    "Steps of `up` and `down`": sequences_model.StepSpec,
    "`[triggers.NAME]`": triggers_model.TriggerSpec,
    "`when`": triggers_model.WhenSpec,
    "`on` and `off`": triggers_model.ThenSpec,
    "`[mqtt]`": site_model.MqttSpec,
    "`[mqtt.tls]`": site_model.TlsSpec,
    "`[[mqtt.announce]]`": site_model.AnnounceSpec,
    "`[journal]`": site_model.JournalSpec,
}


@pytest.mark.parametrize(("title", "kind"), SECTIONS.items())
def test_every_key_with_what_it_can_be_and_its_default(title: str, kind: type[BaseModel]) -> None:
    told = rows(TEXT, title)
    assert told.keys() == kind.model_fields.keys()
    for name, field in kind.model_fields.items():
        values, default = told[name]
        # What lists and tables can be is for the page to say in its own words.
        assert values == (values_of(name, field) or values), name
        assert values, name
        wanted = as_written(field.get_default(call_default_factory=True, validated_data={}))
        if name == "days":
            assert default == "every day"
            wanted = default
        assert default == wanted, name


def test_no_table_is_left_out() -> None:
    kinds = {
        kind
        for module in (site_model, sequences_model, triggers_model)
        for kind in vars(module).values()
        if isinstance(kind, type) and issubclass(kind, BaseModel) and kind.__name__ in module.__all__
    }
    assert kinds == set(SECTIONS.values())


def test_the_whole_site_has_no_fault(tmp_path: Path) -> None:
    (whole,) = (block for block in re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL) if "[site]" in block)
    path = tmp_path / "site.toml"
    path.write_text(whole, encoding="utf-8")
    assert check_site(path) == []

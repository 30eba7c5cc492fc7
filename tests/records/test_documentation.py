"""The page on the records says what the code does."""

from __future__ import annotations

import tomllib
from pathlib import Path

from sensorhealth import nomenclature
from sensorhealth.records import RecordsMapping, contract_markdown, findings_markdown
from sensorhealth.records.checks import checks

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "records.md").read_text(encoding="utf-8")


def test_the_tables_of_the_contract_are_the_dictionary_s() -> None:
    assert contract_markdown().rstrip() in PAGE
    for table in nomenclature.TABLES_IN:
        for column in nomenclature.columns(table).values():
            assert f"| `{column.name}`{'*' if column.required else ''} | {column.type} |" in PAGE


def test_every_finding_of_every_check_is_on_the_page() -> None:
    assert findings_markdown().rstrip() in PAGE
    for check in checks():
        assert all(f"| {name} |" in PAGE for name in check.FINDINGS)


def test_the_mapping_on_the_page_can_be_used() -> None:
    text = PAGE.split("```toml\n")[1].split("```")[0]
    mapping = RecordsMapping.of(tomllib.loads(text))
    assert mapping.headroom_kind == "excess" and mapping.tables["calibrations"].columns["sensor_id"] == "Serial no."

"""Every question can be asked of a warehouse whose files brought engine speed and torque only."""

from __future__ import annotations

import pytest

import dynostats as ds
from dynostats.warehouse import named_query, query_names


@pytest.fixture(scope="module")
def torque_alone(tmp_path_factory):
    folder = tmp_path_factory.mktemp("torque")
    sheet = ["file,engine,session,setup"]
    for number in range(3):
        rows = [f"{2000 + 50 * at},{200 + at + number}" for at in range(60)]
        text = "\n".join(["engine_speed [rpm],torque [N.m]", *rows])
        (folder / f"run{number}.csv").write_text(f"{text}\n", encoding="utf-8")
        sheet.append(f"run{number}.csv,mill,monday,standard")
    (folder / "sheet.csv").write_text("\n".join(sheet) + "\n", encoding="utf-8")
    warehouse = ds.open_warehouse(folder / "shop.duckdb")
    assert len(warehouse.ingest(folder).stored) == 3
    return warehouse


@pytest.mark.parametrize("name", query_names())
def test_it_answers(torque_alone, name):
    values = {"low": 2500.0, "high": 4000.0, "pull": "P1", "engine": "mill"}
    asked = {p.name: values.get(p.name, "standard") for p in named_query(name).parameters}
    required = {p.name for p in named_query(name).parameters if p.required}
    frame = torque_alone.query(name, **{key: asked[key] for key in required}).frame
    assert {column.name for column in named_query(name).columns} <= set(frame.columns)

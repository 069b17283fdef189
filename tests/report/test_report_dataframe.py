"""The result as a table."""

from __future__ import annotations

import fake_results as fake
import pandas as pd

from logscope.report.dataframe import COLUMNS


def test_each_measured_value_has_a_row_with_its_expectation():
    table = fake.troubled().to_dataframe()
    row = table[(table["kind"] == "precharge.slow") & (table["name"] == "time_constant_s")].iloc[0]
    assert (row["value"], row["low"], row["high"], row["unit"]) == (0.21034, 0.2011, 0.2196, "s")
    assert (row["expected_value"], row["expected_low"], row["expected_high"]) == (0.15, 0.12, 0.18)


def test_no_finding_is_lost():
    result = fake.troubled()
    assert set(result.to_dataframe()["finding"]) == set(range(len(result.findings)))


def test_missing_values_and_limits_are_nan():
    table = fake.troubled().to_dataframe().set_index("name")
    assert pd.isna(table.loc["start_voltage_V", "value"])
    assert pd.isna(table.loc["resistor_energy_J", "value"])
    assert table.loc["resistor_energy_J", "expected_high"] == 400.0
    assert table.loc["resistor_energy_J", "unit"] == "J"


def test_columns_and_types_do_not_depend_on_the_findings():
    empty, full = fake.empty().to_dataframe(), fake.troubled().to_dataframe()
    assert tuple(empty.columns) == tuple(full.columns) == COLUMNS
    assert list(empty.dtypes) == list(full.dtypes)

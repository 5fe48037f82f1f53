"""Column facts: what breaks them is refused with table, column and row; what keeps them passes."""

from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pyarrow as pa
import pytest
from conftest import random_table
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import schema
from pipeline.errors import OutputError

# The contract's columns in its order, typed once. A "?" marks what may be null.
CONTRACT = {
    "exchanges": """
        session:string exchange:int32 rep:int32? event:string zone:int8 lane:int8
        incoming:string outgoing:string outcome:string zero_utc:timestamp[us, tz=UTC]
        mark_m:double? mark_t_s:double? mark_t_sd_s:double?
        go_t_s:double? go_t_sd_s:double? go_lag_s:double?
        pass_t_s:double? pass_t_sd_s:double? pass_m:double? pass_sd_m:double?
        pass_basis:string p_in_zone:double?
        zone_time_s:double? zone_time_sd_s:double? zone_speed_mps:double?
        v_in_entry_mps:double? v_in_entry_sd_mps:double? v_in_pass_mps:double?
        v_in_pass_sd_mps:double? v_out_pass_mps:double? v_out_pass_sd_mps:double?
        v_out_exit_mps:double? v_out_exit_sd_mps:double?
        free_distance_m:double? free_distance_sd_m:double? steps_to_pass:int16?
        faults:list<element: string> remarks:list<element: string>""",
    "speed_curves": """
        session exchange runner role t_s s_m s_sd_m v_mps v_sd_mps a_mps2""",
    "recordings": """
        session runner file format sensor samples rate_hz first_utc last_utc longest_gap_s
        dropped_samples clock clock_basis offset_s counter_zero_utc clock_sd_s drift_ppm
        position_noise_m speed_noise_mps remarks""",
}


def columns_of(name: str) -> dict[str, list]:
    return random_table(name).to_pydict()


@pytest.mark.parametrize("name", schema.TABLES)
def test_columns_are_the_contracts_in_its_order(name):
    promised = CONTRACT[name].replace("[us, tz=UTC]", "").replace("list<element: ", "list<").split()
    names = [word.split(":")[0] for word in promised]
    assert list(schema.facts(name).names) == names
    for word in promised:
        if ":" in word:
            column, kind = word.split(":")
            facts = next(c for c in schema.facts(name).columns if c.name == column)
            assert facts.type.replace("float64", "double") == kind.rstrip("?")
            assert facts.nullable == kind.endswith("?")


@pytest.mark.parametrize("name", schema.TABLES)
def test_a_unit_in_a_name_is_the_columns_unit(name):
    units = {"s": "s", "m": "m", "mps": "m/s", "mps2": "m/s²", "hz": "Hz", "ppm": "ppm"}
    for column in schema.facts(name).columns:
        suffix = column.name.rsplit("_", 1)[-1]
        if column.type == "float64" and column.name != "p_in_zone":
            assert column.unit == units[suffix], column.name


@pytest.mark.parametrize("name", schema.TABLES)
def test_every_sd_column_belongs_to_an_estimate(name):
    columns = {column.name: column for column in schema.facts(name).columns}
    claimed = [column.sd for column in columns.values() if column.sd]
    named = [n for n in columns if "_sd_" in n and n != "clock_sd_s"]  # of no column in the table
    assert sorted(claimed) == sorted(named)
    for column in columns.values():
        if column.sd:
            assert column.sd.replace("_sd_", "_") == column.name
            assert columns[column.sd].unit == column.unit
            assert columns[column.sd].min == 0


@settings(max_examples=30, deadline=None)
@given(name=st.sampled_from(schema.TABLES), seed=st.integers(0, 9999), rows=st.integers(0, 20))
def test_a_table_that_obeys_passes_and_comes_back_unchanged(name, seed, rows):
    table = random_table(name, rows=rows, seed=seed)
    assert schema.check(name, table) is table
    again = schema.conform(name, {n: table[n].to_pylist() for n in table.column_names})
    assert again.equals(table)


BROKEN = {
    "NaN": ("exchanges", "pass_m", float("nan"), "finite"),
    "infinity": ("exchanges", "pass_sd_m", float("inf"), "finite"),
    "below the bound": ("exchanges", "p_in_zone", -0.01, "at least 0"),
    "above the bound": ("exchanges", "p_in_zone", 1.01, "at most 1"),
    "negative standard error": ("exchanges", "zone_time_sd_s", -0.1, "at least 0"),
    "unknown word": ("exchanges", "outcome", "dropped", "one of passed"),
    "null where none may be": ("exchanges", "incoming", None, "not nullable"),
    "naive time": ("exchanges", "zero_utc", datetime(2026, 5, 12), "UTC"),
    "text for a time": ("exchanges", "zero_utc", "2026-05-12", "POSIX"),
    "half a count": ("exchanges", "exchange", 1.5, "whole number"),
    "NaN for a count": ("exchanges", "rep", float("nan"), "whole number"),
    "too large for its type": ("exchanges", "steps_to_pass", 70_000, "int16"),
    "text for a number": ("exchanges", "mark_m", "seven", "float64"),
    "a null word": ("exchanges", "faults", ["late start", None], "words"),
    "another role": ("speed_curves", "role", "third", "incoming, outgoing"),
}


@pytest.mark.parametrize(("name", "column", "value", "expected"), BROKEN.values(), ids=BROKEN)
def test_what_breaks_a_fact_is_refused_by_name(name, column, value, expected):
    columns = columns_of(name)
    columns[column][1] = value
    with pytest.raises(OutputError) as caught:
        schema.conform(name, columns)
    assert f"{name}.{column}" in str(caught.value)
    assert expected in str(caught.value)


def test_nan_in_an_array_is_refused_too():
    columns = columns_of("speed_curves")
    columns["t_s"] = np.array([0.0, np.nan, 0.04])
    with pytest.raises(OutputError, match="t_s, row 1"):
        schema.conform("speed_curves", columns)


@pytest.mark.parametrize("lost", ["zone_time_s", "zone_time_sd_s"])
def test_an_estimate_without_its_standard_error_is_refused(lost):
    columns = columns_of("exchanges")
    columns["zone_time_s"], columns["zone_time_sd_s"] = [2.3] * 3, [0.02] * 3
    columns[lost][2] = None
    with pytest.raises(OutputError, match="zone_time_s, row 2"):
        schema.conform("exchanges", columns)


def test_missing_and_unknown_columns_are_named():
    columns = columns_of("recordings")
    columns["drift"] = columns.pop("drift_ppm")
    with pytest.raises(OutputError, match="missing: drift_ppm; unknown: drift;"):
        schema.conform("recordings", columns)


def test_columns_of_different_lengths_are_refused():
    columns = columns_of("recordings")
    columns["file"].pop()
    with pytest.raises(OutputError, match="different lengths"):
        schema.conform("recordings", columns)


def test_an_unknown_table_is_refused():
    with pytest.raises(OutputError, match="no such table"):
        schema.facts("laps")


@settings(deadline=None)
@given(st.integers(0, 2_000_000_000), st.integers(0, 999_999), st.integers(-12, 14))
def test_a_moment_is_the_same_however_it_is_written(second, microsecond, hours):
    moment = datetime.fromtimestamp(second, UTC) + timedelta(microseconds=microsecond)
    elsewhere = moment.astimezone(timezone(timedelta(hours=hours)))
    columns = columns_of("exchanges")
    columns["zero_utc"] = [moment, elsewhere, second + microsecond * 1e-6]
    stored = schema.conform("exchanges", columns)["zero_utc"].to_pylist()
    assert stored == [moment] * 3


def test_a_cast_table_of_other_types_is_refused():
    table = random_table("speed_curves")
    narrow = table.set_column(4, "t_s", table["t_s"].cast(pa.float32()))
    with pytest.raises(OutputError, match="type float"):
        schema.check("speed_curves", narrow)

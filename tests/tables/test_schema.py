"""Column facts: what breaks them is refused with table, column and row; what keeps them passes."""

import math
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from random_tables import random_table

from pipeline.errors import OutputError
from pipeline.tables import schema

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
        foot_m:double? incoming_foot_m:double? zero_sd_s:double? fit_z:double?
        hand_back_t_s:double? hand_back_t_sd_s:double? steps_to_hand_back:int16? note:string?
        date:string? time_zone:string? effort:double? drill:string? use:string?
        technique:string? hand:string?
        wind_mps:double? race:string? outgoing_start_m:double? incoming_start_m:double?
        zone_length_m:double? back_line_m:double?
        faults:list<element: string> remarks:list<element: string>""",
    "speed_curves": """
        session exchange runner role t_s s_m s_sd_m v_mps v_sd_mps a_mps2""",
    "recordings": """
        session runner file format sensor samples rate_hz first_utc last_utc longest_gap_s
        dropped_samples clock clock_basis offset_s counter_zero_utc clock_sd_s drift_ppm
        position_noise_m speed_noise_mps remarks""",
    "observations": """
        session:string exchange:int32? observer:string line:int32 kind:string use:string
        event:string gate:string? runner:string? used:bool
        observed_t_s:double? observed_t_sd_s:double? estimated_t_s:double? estimated_t_sd_s:double?
        difference_s:double? z:double? observed_m:double? observed_sd_m:double? estimated_m:double?
        estimated_sd_m:double? difference_m:double? speed_mps:double? note:string?
        remarks:list<string>""",
    "legs": """
        session:string race:string leg:int8 event:string lane:int8? runner:string? exchange:int32?
        start_utc:timestamp? time_s:double? time_sd_s:double? start_basis:string?
        v_max_mps:double? v_max_sd_mps:double? zone_time_s:double? zone_time_sd_s:double?
        official_time_s:double? difference_s:double? remarks:list<string>""",
    "exercises": """
        session:string exercise:int32 rep:int32? drill:string round:int16? incoming:string
        outgoing:string first_utc:timestamp? last_utc:timestamp?
        speed_mps:double? speed_sd_mps:double? speed_spread_mps:double?
        gap_m:double? gap_sd_m:double? gap_spread_m:double? sprint_mps:double?
        sprint_sd_mps:double? sprint_s:double? note:string? remarks:list<string>""",
    "plan_places": """
        session:string date:string venue_sha256:string takeovers:int32 east_m east_sd_m north_m
        north_sd_m turn_deg turn_sd_deg east_north_corr east_turn_corr north_turn_corr""",
    "runners": """
        runner:string event:string reps_in:int32 reps_out:int32 sessions:int32 last_utc:timestamp?
        v_max_mps v_max_sd_mps tau_s tau_sd_s launch_s launch_sd_s t20_s t20_sd_s
        t20_spread_s t20_spread_sd_s lag_s:double? lag_sd_s:double?
        lag_spread_s:double? lag_spread_sd_s:double? arm_cost_s arm_cost_sd_s
        v_in_entry_mps v_in_entry_sd_mps v_in_spread_mps v_in_spread_sd_mps
        fade_mps2 fade_sd_mps2 reach_m reach_sd_m
        v_in_entry_trend_mps:double? v_in_entry_trend_sd_mps:double? t20_trend_s:double?
        t20_trend_sd_s:double? lag_trend_s:double? lag_trend_sd_s:double?
        foot_m:double? remarks:list<string>""",
    "marks": """
        incoming:string outgoing:string event:string mark_m:double mark_feet:double?
        outgoing_start_m:double p_in_zone:double p_in_zone_sd p_ran_into p_ran_into_sd
        p_ran_away p_ran_away_sd zone_time_s zone_time_sd_s zone_time_spread_s
        pass_m pass_sd_m pass_spread_m closing_mps closing_sd_mps baton_loss_s baton_loss_sd_s
        pace gap_at_go_m mark_sd_m reps:int32 reps_pair:int32 reps_on_mark:int32 advised:bool
        loss_s:double? loss_sd_s:double? practice_gain_s:double? remarks:list<string>""",
    "orders": """
        event:string lane:int8 rank:int32 leg1:string leg2:string leg3:string leg4:string
        time_s:double time_sd_s:double time_spread_s:double p_best:double p_legal:double
        loss_s:double? remarks:list<string>""",
    "progress": """
        incoming:string outgoing:string event:string reps:int32 sessions:int32
        first_utc:timestamp last_utc:timestamp
        zone_time_s:double? zone_time_sd_s:double? zone_time_trend_s:double?
        zone_time_trend_sd_s:double? go_lag_s:double? go_lag_sd_s go_lag_trend_s go_lag_trend_sd_s
        free_distance_m free_distance_sd_m free_distance_trend_m free_distance_trend_sd_m
        p_in_zone:double? p_in_zone_sd:double? p_in_zone_trend p_in_zone_trend_sd
        mark_m:double? mark_since_utc:timestamp? reps_since_move:int32?
        zone_time_change_s:double? zone_time_change_sd_s go_lag_change_s go_lag_change_sd_s
        p_in_zone_change p_in_zone_change_sd mark_sd_m:double? reps_needed:int32?
        practice_gain_s:double? foretold:int32? p_foretold:double? p_foretold_held:double?
        foretold_z:double? remarks:list<string>""",
    "validation": """
        kind:string event:string gate:string? quantity:string rows:int32 takeovers:int32
        sessions:int32 far_off:int32 bias_s:double? bias_sd_s:double? rms_s:double?
        rms_all_s:double? bias_m:double? bias_sd_m:double? rms_m:double? rms_all_m:double?
        ratio:double ratio_sd:double beyond_2:int32 beyond_3:int32 lead_m:double? lead_sd_m:double?
        worst_session:string worst_exchange:int32 worst_observer:string worst_z:double
        verdict:string conclusion:string""",
    "race_parts": """
        session:string race:string part:int8 kind:string leg:int8? runner:string?
        outgoing:string?
        time_s:double? time_sd_s:double? expected_s:double? expected_sd_s:double? spread_s:double?
        difference_s:double? difference_sd_s:double? remarks:list<string>""",
    "causes": """
        session:string exchange:int32 event:string incoming:string outgoing:string cause:string
        lost_s:double lost_sd_s:double moved_pass_m:double? note:string?""",
    "verdicts": """
        session:string exchange:int32 event:string incoming:string outgoing:string
        lost_s:double? lost_sd_s:double? main_cause:string? move_feet:double? verdict:string""",
}

EVERY = (*schema.TABLES, *schema.DECISIONS)
SHARES = ("pace", "ratio", "ratio_sd", "effort")
# standard errors of what is no column of the table, or of a moment that old tables have without
NO_ESTIMATE = {"clock_sd_s", "mark_sd_m", "zero_sd_s"}


def columns_of(name: str) -> dict[str, list]:
    return random_table(name).to_pydict()


@pytest.mark.parametrize("name", EVERY)
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


@pytest.mark.parametrize("name", EVERY)
def test_a_unit_in_a_name_is_the_columns_unit(name):
    units = {"s": "s", "m": "m", "mps": "m/s", "mps2": "m/s²", "hz": "Hz", "ppm": "ppm"}
    units |= {"feet": "foot-lengths", "z": "", "deg": "deg", "corr": ""}
    for column in schema.facts(name).columns:
        suffix = column.name.rsplit("_", 1)[-1]
        if column.type == "float64":
            share = column.name.startswith("p_") or column.name in SHARES
            assert column.unit == ("" if share else units[suffix]), column.name


@pytest.mark.parametrize("name", EVERY)
def test_every_sd_column_belongs_to_an_estimate(name):
    columns = {column.name: column for column in schema.facts(name).columns}
    claimed = [column.sd for column in columns.values() if column.sd]
    named = [n for n in columns if "_sd_" in f"{n}_" and n not in NO_ESTIMATE]
    assert sorted(claimed) == sorted(named)
    for column in columns.values():
        if column.sd:
            assert f"{column.sd}_".replace("_sd_", "_").rstrip("_") == column.name
            assert columns[column.sd].nullable == column.nullable
            assert columns[column.sd].unit == column.unit
            assert columns[column.sd].min == 0


@settings(max_examples=30, deadline=None)
@given(name=st.sampled_from(EVERY), seed=st.integers(0, 9999), rows=st.integers(0, 20))
def test_a_table_that_obeys_passes_and_comes_back_unchanged(name, seed, rows):
    table = random_table(name, rows=rows, seed=seed)
    assert schema.check_table(name, table) is table
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
    "a number for yes or no": ("marks", "advised", 1, "bool"),
    "a word for yes or no": ("marks", "advised", "yes", "bool"),
    "a null for yes or no": ("marks", "advised", None, "not nullable"),
    "more than certain": ("orders", "p_legal", 1.2, "at most 1"),
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


def test_a_probability_without_its_standard_error_is_refused():
    columns = columns_of("progress")
    columns["p_in_zone"], columns["p_in_zone_sd"] = [0.9] * 3, [0.1, None, 0.1]
    with pytest.raises(OutputError, match="p_in_zone, row 1"):
        schema.conform("progress", columns)


def test_numpys_truth_values_are_truth_values():
    columns = columns_of("marks")
    columns["advised"] = np.array([True, False, True])
    assert schema.conform("marks", columns)["advised"].to_pylist() == [True, False, True]


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
        schema.check_table("speed_curves", narrow)


def written(table: pa.Table, path, version: int, without: tuple[str, ...]):
    """`table` as a session's file of that version of the schema, some columns unknown to it."""
    path.parent.mkdir(parents=True)
    older = table.drop_columns(["session", *without])
    metadata = {**table.schema.metadata, b"batontrace.version": str(version).encode()}
    pq.write_table(older.replace_schema_metadata(metadata), path)
    return path


@pytest.fixture
def place(tmp_path):
    return tmp_path / "exchanges" / "session=otter" / "part-0.parquet"


def test_a_table_from_before_a_column_came_reads_with_nulls_there(place):
    table = random_table("exchanges")
    back = schema.read_part(written(table, place, 1, ("foot_m",)))
    assert back.schema.equals(schema.arrow_schema("exchanges"), check_metadata=True)
    assert back["foot_m"].to_pylist() == [None] * 3
    assert back.drop_columns(["foot_m"]).equals(table.drop_columns(["foot_m"]))


@pytest.mark.parametrize(
    ("version", "lost"),
    [(2, "foot_m"), (3, "foot_m"), (4, "foot_m"), (1, "outcome")],
    ids=["of the version that brought it", "of this version", "of a later one", "always there"],
)
def test_a_column_missing_for_no_good_reason_is_refused(place, version, lost):
    with pytest.raises(OutputError, match=r"part-0\.parquet.*exchanges.*process the session again"):
        schema.read_part(written(random_table("exchanges"), place, version, (lost,)))


def test_an_estimate_without_its_standard_error_is_refused_however_old(place):
    columns = {**columns_of("exchanges"), "mark_t_s": [1.0] * 3, "mark_t_sd_s": [0.1] * 3}
    table = schema.conform("exchanges", columns)
    with pytest.raises(OutputError, match="missing: mark_t_sd_s"):
        schema.read_part(written(table, place, 1, ("mark_t_sd_s",)))


# --- one row -------------------------------------------------------------------------------


def test_the_schema_names_the_column_of_a_standard_error():
    assert schema.sd_column("exchanges", "zone_time_s") == "zone_time_sd_s"
    assert schema.sd_column("progress", "p_in_zone") == "p_in_zone_sd"
    for column in ("mark_m", "zone_time_sd_s", "no such"):
        with pytest.raises(OutputError, match=column):
            schema.sd_column("exchanges", column)


@pytest.mark.parametrize(
    ("column", "value", "sd", "culprit"),
    [
        ("mark_t_s", 61.0, 0.1, "mark_t_s"),
        ("mark_t_s", math.nan, 0.1, "mark_t_s"),
        ("mark_t_s", 1.0, math.inf, "mark_t_sd_s"),
        ("mark_t_s", 1.0, 60.1, "mark_t_sd_s"),  # within the estimate's own bounds, not its own
        ("mark_t_s", 1.0, -0.1, "mark_t_sd_s"),
    ],
)
def test_an_estimate_that_cannot_be_goes_with_its_standard_error(column, value, sd, culprit):
    row = {column: value, schema.sd_column("exchanges", column): sd, "mark_m": 7.0, "lane": 99}
    kept, left_out = schema.keep_bounds("exchanges", row)
    assert kept == {column: None, schema.sd_column("exchanges", column): None} | {
        "mark_m": 7.0,
        "lane": 99,  # may not be null
    }
    assert [(one.column, one.culprit) for one in left_out] == [(column, culprit)]
    assert schema.keep_bounds("exchanges", kept) == (kept, ())


def test_what_can_be_stays():
    row = {"mark_t_s": -60.0, "mark_t_sd_s": 60.0, "mark_m": None, "p_in_zone": 1.0}
    assert schema.keep_bounds("exchanges", row) == (row, ())

"""Rows of tables for the pages of the order, the race, the runner and the season: every column is
there, null unless a usual value or the test says otherwise."""

from datetime import UTC, datetime, timedelta

from pipeline.tables import schema

FIRST_EVENING = datetime(2026, 5, 12, 17, 3, 20, tzinfo=UTC)
_USUAL = {
    "marks": {
        "event": "4x100", "mark_m": 7.5, "mark_feet": 25.0, "outgoing_start_m": 0.0,
        "p_in_zone": 0.9, "p_in_zone_sd": 0.05, "p_ran_into": 0.05, "p_ran_into_sd": 0.02,
        "p_ran_away": 0.05, "p_ran_away_sd": 0.02, "zone_time_s": 3.2, "zone_time_sd_s": 0.04,
        "zone_time_spread_s": 0.08, "pass_m": 14.0, "pass_sd_m": 1.0, "pass_spread_m": 2.5,
        "closing_mps": 1.0, "closing_sd_mps": 0.2, "baton_loss_s": 0.1, "baton_loss_sd_s": 0.05,
        "pace": 1.0, "gap_at_go_m": 8.0, "mark_sd_m": 0.3, "reps": 12, "reps_pair": 6,
        "reps_on_mark": 3, "advised": True, "loss_s": 0.3, "loss_sd_s": 0.05,
        "practice_gain_s": 0.05, "remarks": [],
    },
    "progress": {
        "event": "4x100", "reps": 6, "sessions": 2, "first_utc": FIRST_EVENING,
        "last_utc": FIRST_EVENING + timedelta(days=7), "remarks": [],
    },
    "runners": {
        "event": "4x100", "reps_in": 6, "reps_out": 6, "sessions": 2,
        "last_utc": FIRST_EVENING + timedelta(days=7), "v_max_mps": 9.4, "v_max_sd_mps": 0.1,
        "tau_s": 1.0, "tau_sd_s": 0.03, "launch_s": 0.08, "launch_sd_s": 0.01, "t20_s": 3.19,
        "t20_sd_s": 0.02, "t20_spread_s": 0.04, "t20_spread_sd_s": 0.01, "lag_s": -0.19,
        "lag_sd_s": 0.03, "lag_spread_s": 0.06, "lag_spread_sd_s": 0.01, "arm_cost_s": 0.01,
        "arm_cost_sd_s": 0.01, "v_in_entry_mps": 9.62, "v_in_entry_sd_mps": 0.07,
        "v_in_spread_mps": 0.13, "v_in_spread_sd_mps": 0.02, "fade_mps2": -0.1,
        "fade_sd_mps2": 0.22, "reach_m": 0.56, "reach_sd_m": 0.06, "foot_m": 0.3, "remarks": [],
    },
    "orders": {
        "event": "4x100", "lane": 4, "time_s": 43.8, "time_sd_s": 0.4, "time_spread_s": 0.2,
        "p_best": 0.4, "p_legal": 0.91, "loss_s": 44.4, "remarks": [],
    },
    "verdicts": {"session": "evening", "event": "4x100", "verdict": "Nothing lost."},
    "causes": {"session": "evening", "event": "4x100", "lost_s": 0.0, "lost_sd_s": 0.01},
    "race_parts": {"session": "evening", "race": "heat", "remarks": []},
    "legs": {
        "session": "evening", "race": "heat", "event": "4x100", "lane": 5, "time_s": 10.4,
        "time_sd_s": 0.04, "remarks": [],
    },
    "exchanges": {
        "session": "evening", "event": "4x100", "zone": 1, "lane": 4, "outcome": "passed",
        "zero_utc": FIRST_EVENING, "date": "2026-05-12", "zone_length_m": 30.0, "pass_m": 14.0,
        "pass_sd_m": 0.5, "p_in_zone": 0.99, "zone_time_s": 3.1, "zone_time_sd_s": 0.03,
        "faults": [], "remarks": [],
    },
    "validation": {"kind": "gates", "event": "gate", "quantity": "time"},
}  # fmt: skip


def sheet_row(table: str, **given):
    """One row of a table, with every column of its schema."""
    names = schema.facts(table).names
    unknown = set(given) - {*names, "session"}
    if unknown:
        raise KeyError(f"{table} has no {sorted(unknown)}")
    return dict.fromkeys((*names, "session")) | _USUAL[table] | given


def mark(incoming: str, outgoing: str, loss_s: float = 0.3, **given):
    return sheet_row("marks", incoming=incoming, outgoing=outgoing, loss_s=loss_s, **given)


def takeover(incoming: str, outgoing: str, number: int = 1, days: int = 0, **given):
    """A takeover so many days after the first evening."""
    when = FIRST_EVENING + timedelta(days=days, minutes=2 * number)
    told = {"zero_utc": when, "date": f"{when:%Y-%m-%d}", "exchange": number} | given
    return sheet_row("exchanges", incoming=incoming, outgoing=outgoing, **told)


def order(rank: int, *runners: str, **given):
    legs = {f"leg{leg}": runner for leg, runner in enumerate(runners, 1)}
    return sheet_row("orders", rank=rank, **legs, **given)


def no_decisions(*names: str):
    """Tables of decisions, none of which is there."""
    return dict.fromkeys(names)

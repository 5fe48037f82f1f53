"""Tables of what observers saw and was held out, made without files: errors as large as is said."""

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from random_tables import random_table
from stored_sessions import ASKED

from pipeline.base.defaults import GATE_LEAD_M, GATE_LEAD_SD_M
from pipeline.tables import schema, writing

FILM_EVENTS = ("go", "entry", "pass", "exit")
GATES = ("gate-entry", "gate-middle", "gate-exit")


@dataclass(frozen=True)
class Evening:
    """How true and how honest one session's observations are; lengths in s and m.

    `honest`: real errors over stated ones; `bias_s` of everything seen on film; `shared`: the part
    of each error's variance that all rows of a takeover have in common; `film_sd_s`: what all rows
    of the session's film have in common beyond what is stated; `misread`: rows put off by 0.7 s."""

    session: str
    takeovers: int = 12
    seed: int = 0
    honest: float = 1.0
    bias_s: float = 0.0
    shared: float = 0.3
    film_sd_s: float = 0.0
    misread: int = 0
    lead_m: float = 0.31
    lead_spread_m: float = 0.0
    sd_s: float = 0.03
    gates: bool = True
    use: str = "check"


def observation_row(session: str, exchange: int, line: int, **given) -> dict:
    """A row of the table `observations`, held out; differences follow from what is given."""
    row = dict.fromkeys(schema.facts("observations").names)
    row |= {
        "session": session, "exchange": exchange, "line": line, "observer": "film", "kind": "film",
        "use": "check", "event": "pass", "used": False, "speed_mps": 9.0, "remarks": [],
    } | given  # fmt: skip
    for t, unit in (("_t", "s"), ("", "m")):
        values = [row[f"{who}{t}_{unit}"] for who in ("observed", "estimated")]
        if None not in values:
            row[f"difference_{unit}"] = values[0] - values[1]
            sds = [row[f"{who}{t}_sd_{unit}"] for who in ("observed", "estimated")]
            row["z"] = row["z"] or row[f"difference_{unit}"] / np.hypot(*sds)
    return row


def observed(moment_s: float, off_s: float, sd_s: float) -> dict:
    """What a row says of times: the moment estimated, and how far off it was seen; most of the
    standard error is the estimate's."""
    return {
        "observed_t_s": moment_s + off_s, "observed_t_sd_s": 0.6 * sd_s,
        "estimated_t_s": moment_s, "estimated_t_sd_s": 0.8 * sd_s,
    }  # fmt: skip


def evening_rows(evening: Evening) -> list[dict]:
    rng = np.random.default_rng([evening.seed, 7])
    rows: list[dict] = []
    film_off = evening.bias_s + evening.film_sd_s * rng.standard_normal()

    def off() -> float:
        mixed = np.sqrt(evening.shared) * common + np.sqrt(1 - evening.shared) * rng.normal()
        return float(evening.honest * evening.sd_s * mixed)

    for exchange in range(1, evening.takeovers + 1):
        common = rng.standard_normal()
        for event in FILM_EVENTS:
            seen = observed(rng.uniform(-2, 4), film_off + off(), evening.sd_s)
            rows.append(
                observation_row(evening.session, exchange, len(rows) + 2, event=event, **seen)
            )
        for gate in GATES if evening.gates else ():
            speed = float(rng.uniform(7.0, 9.8))
            lead = evening.lead_m + evening.lead_spread_m * rng.standard_normal()
            seen = observed(rng.uniform(0, 3), off() - (lead - GATE_LEAD_M) / speed, evening.sd_s)
            seen["estimated_t_sd_s"] = float(
                np.hypot(seen["estimated_t_sd_s"], GATE_LEAD_SD_M / speed)
            )
            rows.append(
                observation_row(
                    evening.session,
                    exchange,
                    len(rows) + 2,
                    event="gate",
                    gate=gate,
                    kind="gates",
                    observer="gates",
                    speed_mps=speed,
                    runner="robin",
                    **seen,
                )
            )
    for k in rng.choice(len(rows), evening.misread, replace=False):
        row = rows[k]
        late = 0.7 * float(rng.choice([-1, 1]))
        rows[k] = row | {
            "observed_t_s": row["observed_t_s"] + late,
            "difference_s": row["difference_s"] + late,
        }
    return [row | {"use": evening.use} for row in rows]


def observations(*evenings: Evening) -> pa.Table:
    return observations_of([row for evening in evenings for row in evening_rows(evening)])


def observations_of(rows: list[dict]) -> pa.Table:
    names = schema.facts("observations").names
    return schema.conform("observations", {name: [row[name] for row in rows] for name in names})


def store_evening(out, session: str, table: pa.Table) -> None:
    """A session on disk with what observers saw; the other tables are random."""
    tables = {name: random_table(name, session) for name in schema.TABLES}
    writing.write_session(out, session, tables | {"observations": table}, ASKED)

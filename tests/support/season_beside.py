"""A season whose takeovers are drawn by lot, in a process of its own, beside others on one bucket.

Arguments: the folder of the sessions, the bucket, a file to which each session's id is added when
it is measured, seconds that a measurement takes, and the age in seconds at which a claim is dead.
"""

import sys
import time
from pathlib import Path

from random_tables import random_table

from pipeline.read.practice.session import read_session
from pipeline.season import bucket_claims, engines, season
from pipeline.session import process
from pipeline.tables import schema, writing


def log_and_measure(log: Path, takes_s: float):
    """A stand-in for `make_session_tables`."""

    def measure(path, out, *, command=None, source=None, **_options):
        session = read_session(path)
        with log.open("a") as file:
            file.write(f"{session.id}\n")
        time.sleep(takes_s)
        tables = {name: random_table(name, session.id, 3) for name in schema.TABLES}
        writing.write_session(out, session.id, tables, process.run_record(session, command, source))
        return process.MeasuredSession(session, tables, (), ())

    return measure


def main(evenings: str, out: str, log: str, takes_s: str, most_age_s: str) -> None:
    bucket_claims.MOST_AGE_S = float(most_age_s)
    bucket_claims.RENEW_S = float(most_age_s) / 10
    bucket_claims.POLL_S = bucket_claims.CONTEST_S = 0.05
    process.make_session_tables = log_and_measure(Path(log), float(takes_s))
    summary = season.measure_season(evenings, out, engines.Here(), command=("season",))
    states = {one.state for one in summary.outcomes}
    if not states <= {"measured", "unchanged"}:
        raise SystemExit(f"{summary.outcomes}")


if __name__ == "__main__":
    main(*sys.argv[1:])

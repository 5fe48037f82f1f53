"""What `import pipeline` offers, for notebooks (docs/analysis.md). `__all__` is the public list.

Everything heavy is imported by the function that needs it; pandas (the extra `notebook`) only by
those that return a frame. Numbers are SI, with the unit in the name. What goes wrong is a
`BatontraceError` that says what to do. The examples run on the sample session, in the folder that
holds `sample_tracks`.

Tables and errors are English. Pages and figures are in the language that is in force where they
are made, English unless `pipeline.language.choice.using` says otherwise.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from pipeline.base.asking import one_of
from pipeline.errors import BatontraceError, InputError, OutputError, UsageError

if TYPE_CHECKING:
    import pandas
    import pyarrow as pa

    from pipeline.base.values import Fixes, Imu, Recording
    from pipeline.session.process import MeasuredSession
    from pipeline.tables.places import Place

__all__ = [
    "BatontraceError",
    "curves",
    "curves_table",
    "fixes_frame",
    "frame",
    "imu_frame",
    "process_session",
    "read_recording",
    "sessions",
    "table",
]

AnyPath = str | os.PathLike[str]


# --- files -----------------------------------------------------------------------------


def read_recording(
    path: AnyPath,
    columns: Mapping[str, Mapping[str, str]] | None = None,
    clock: Literal["gnss", "device"] = "gnss",
) -> Recording:
    """Read one track file (FIT, GPX, TCX, NMEA, CSV) as arrays in SI units.

    The format is told by content. `columns` and `clock` are as in session.toml: `columns` names a
    CSV's columns and units, `clock` is "device" where stamps are a free-running counter. Times are
    as the file states them, tied to no common clock. `fixes` hold positions on Earth. Raises
    RecordingError where nothing in the file can be used.

    >>> import pipeline
    >>> recording = pipeline.read_recording("sample_tracks/larch-straight/otter.fit")
    >>> recording.format, len(recording.fixes.t_s), recording.imu.acc_mps2.shape[1]
    ('fit', 5123, 3)
    """
    from pipeline.read import read

    return read(Path(path), columns, clock)


def process_session(
    path: AnyPath, out: AnyPath | None = None, *, anyway: bool = False
) -> MeasuredSession:
    """Measure a session's takeovers, and write its tables into `out` if one is given.

    The result's `tables` are Arrow tables (docs/tables.md), for `frame`. Its `remarks` say what was
    weak, its `left_out` which recordings could not be used. Raises BatontraceError where nothing
    can be measured or written; also where `out` has the session from more files than are there
    now, unless `anyway` is true.

    >>> import pipeline
    >>> result = pipeline.process_session("sample_tracks/larch-straight/session.toml", "out")
    >>> result.tables["exchanges"].num_rows
    5
    """
    from pipeline.session.process import make_session_tables

    return make_session_tables(Path(path), None if out is None else Path(out), anyway=anyway)


# --- tables ----------------------------------------------------------------------------


def sessions(out: AnyPath) -> tuple[str, ...]:
    """The ids of the sessions in `out`, the one with the latest takeover last.

    Raises InputError where there is none.

    >>> import pipeline
    >>> pipeline.sessions("out")
    ('larch-straight',)
    """
    from pipeline.tables import lake

    return lake.sessions_by_time(_place_of(out))[0]


def table(out: AnyPath, name: str, sessions: Sequence[str] | None = None) -> pa.Table:
    """A table of `out`, checked, with units and meanings in its fields' metadata.

    `name` is one of those in docs/tables.md; `sessions` (default: all) narrows tables whose rows
    have a session. Files of older versions come as if newly written. Raises UsageError where
    `name` or a session is unknown, InputError where a file is missing or broken.

    >>> import pipeline
    >>> exchanges = pipeline.table("out", "exchanges")
    >>> exchanges.schema.field("zone_time_s").metadata[b"unit"]
    b's'
    """
    import pyarrow as pa

    from pipeline.tables import folders, lake, reading, schema

    place = _place_of(out)
    if name not in schema.ALL_TABLES:
        raise UsageError(f"table {name!r}", "no such table", one_of(schema.ALL_TABLES))
    if name in schema.DECISIONS:
        if sessions is not None:
            raise UsageError(f"table {name!r}", "rests on all sessions together", "no `sessions`")
        found = lake.read_decision(place, name)
        if found is None:
            where = f"{place}/{folders.decision_file(name)}"
            command = schema.DECISION_COMMANDS[name]
            raise InputError(where, "is not there", do=f"run: batontrace {command} {place}")
        return found
    there = lake.session_ids(place)
    for session in sessions or ():
        lake.require_session(place, session, there)
    wanted = there if sessions is None else list(dict.fromkeys(sessions))
    try:
        read = [
            reading.read_session_tables(place, one, (name,))
            for one in wanted
            if not lake.is_before(place, one, name)
        ]
    except OutputError as err:
        do = f"{err.do}, or name the other sessions"
        raise InputError(err.where, err.found, err.expected, do) from err
    return pa.concat_tables([schema.empty_table(name), *(one[name].table for one in read)])


def curves_table(out: AnyPath, session: str, exchange: int) -> pa.Table:
    """Both runners of one takeover on one clock and one axis: the rows of `speed_curves`.

    Raises UsageError where there is no such session or takeover, InputError where the file is
    missing or broken.

    >>> import pipeline
    >>> pipeline.curves_table("out", "larch-straight", 3).column("role").unique().to_pylist()
    ['incoming', 'outgoing']
    """
    import pyarrow.compute as pc

    found = table(out, "speed_curves", [session])
    chosen = found.filter(pc.equal(found["exchange"], exchange))
    if not chosen.num_rows:
        there = [str(one) for one in pc.unique(found["exchange"]).to_pylist()]
        raise UsageError(
            f"takeover {exchange} of {session}",
            f"has no curves in {out}",
            one_of(there) if there else "a session with takeovers",
        )
    return chosen


def _place_of(out: AnyPath) -> Place:
    """A folder, or the bucket of a URL."""
    from pipeline.tables.places import as_place

    return as_place(os.fspath(out))


# --- frames ----------------------------------------------------------------------------


def curves(out: AnyPath, session: str, exchange: int) -> pandas.DataFrame:
    """`curves_table` as a frame: one row a runner and moment, `t_s` from `zero_utc`.

    Raises as `curves_table` does, and UsageError without pandas.

    >>> import pipeline
    >>> third = pipeline.curves("out", "larch-straight", 3)
    >>> at_entry = third[(third["role"] == "incoming") & third["t_s"].between(-0.001, 0.001)]
    >>> abs(float(at_entry["s_m"].iloc[0])) < 0.1
    True
    >>> third.attrs["units"]["v_mps"]
    'm/s'
    """
    return frame(curves_table(out, session, exchange))


def frame(table: pa.Table) -> pandas.DataFrame:
    """An Arrow table as a frame.

    Whole numbers that may be missing stay whole (Int32), times are UTC, and the units are in
    `.attrs["units"]`. Raises UsageError without pandas.

    >>> import pipeline
    >>> exchanges = pipeline.frame(pipeline.table("out", "exchanges"))
    >>> exchanges.dtypes[["exchange", "rep", "steps_to_pass"]].astype(str).tolist()
    ['int32', 'Int32', 'Int16']
    """
    import pyarrow as pa

    pd = _import_pandas()
    whole = {
        pa.int8(): pd.Int8Dtype(),
        pa.int16(): pd.Int16Dtype(),
        pa.int32(): pd.Int32Dtype(),
        pa.int64(): pd.Int64Dtype(),
    }
    made = table.to_pandas(types_mapper=whole.get)
    never_null = {f.name: str(f.type) for f in table.schema if f.type in whole and not f.nullable}
    made = made.astype(never_null)
    units = {f.name: (f.metadata or {}).get(b"unit", b"").decode() for f in table.schema}
    made.attrs["units"] = {name: unit for name, unit in units.items() if unit}
    return made


def fixes_frame(recording: Recording) -> pandas.DataFrame:
    """A recording's satellite fixes, one row each, in the order of the file; positions are WGS 84.

    `t_s` is seconds since 1970 (UTC), with `time_utc` beside it, or else the unit's own counter.
    NaN stands where the file gave nothing. Raises InputError where there are no fixes, UsageError
    without pandas.

    >>> import pipeline
    >>> fixes = pipeline.fixes_frame(
    ...     pipeline.read_recording("sample_tracks/larch-straight/otter.fit")
    ... )
    >>> fixes["time_utc"].dt.strftime("%Y-%m-%d %H").iloc[0], fixes.attrs["units"]["speed_mps"]
    ('2026-05-12 17', 'm/s')
    """
    fixes = recording.fixes
    if fixes is None:
        raise InputError(recording.path, "holds no satellite fixes", "a satellite unit's file")
    return _sample_frame(
        fixes,
        {
            "latitude_deg": fixes.latitude_deg,
            "longitude_deg": fixes.longitude_deg,
            "altitude_m": fixes.altitude_m,
            "speed_mps": fixes.speed_mps,
            "hdop": fixes.hdop,
            "satellites": fixes.satellites,
        },
        {"latitude_deg": "deg", "longitude_deg": "deg", "altitude_m": "m", "speed_mps": "m/s"},
    )


def imu_frame(recording: Recording) -> pandas.DataFrame:
    """A recording's accelerometer and, where it has one, gyroscope, one row a sample.

    Times are as in `fixes_frame`; axes are the unit's own. Raises InputError where there is no
    accelerometer, UsageError without pandas.

    >>> import pipeline
    >>> imu = pipeline.imu_frame(
    ...     pipeline.read_recording("sample_tracks/larch-straight/otter.fit")
    ... )
    >>> list(imu.columns[:4])
    ['time_utc', 't_s', 'acc_x_mps2', 'acc_y_mps2']
    """
    imu = recording.imu
    if imu is None:
        raise InputError(recording.path, "holds no inertial samples", "an inertial unit's file")
    columns = {f"acc_{axis}_mps2": imu.acc_mps2[:, i] for i, axis in enumerate("xyz")}
    units = dict.fromkeys(columns, "m/s²")
    if len(imu.gyro_radps):
        turns = {f"gyro_{axis}_radps": imu.gyro_radps[:, i] for i, axis in enumerate("xyz")}
        columns.update(turns)
        units.update(dict.fromkeys(turns, "rad/s"))
    return _sample_frame(imu, columns, units)


def _sample_frame(
    stream: Fixes | Imu, columns: Mapping[str, Any], units: Mapping[str, str]
) -> pandas.DataFrame:
    import numpy as np

    pd = _import_pandas()
    made = pd.DataFrame({"t_s": stream.t_s, **columns})
    if stream.basis == "utc":
        microseconds = np.round(stream.t_s * 1e6).astype("datetime64[us]")
        made.insert(0, "time_utc", pd.DatetimeIndex(microseconds, tz="UTC"))
    made.attrs["units"] = {"t_s": "s", **units}
    return made


def _import_pandas() -> Any:
    try:
        import pandas
    except ImportError as err:
        raise UsageError(
            "a frame",
            "needs the package pandas, which is not installed",
            do="pip install 'batontrace[notebook]', or take the Arrow table",
        ) from err
    return pandas

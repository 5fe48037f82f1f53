"""One shared clock: the stamps of every stream become UTC, with standard errors.

Stamps that a satellite receiver wrote are UTC. Taps tie a free-running counter, and motion does
where there are no taps. A stream that nothing ties stays out, and its clock says so.

All ties of a session are one small least-squares problem (`taps`). The unknowns are the moments
of the taps and, for each counter, UTC at the middle of its stretch and its rate. The
observations are the spikes in every accelerometer and, for each counter, what motion says of it
(`motion`). The rate has the prior of a crystal (`CRYSTAL_PPM`), so one tap alone gives an
offset, and a rate no better than the crystal's.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from pipeline.base.values import (
    Clock,
    Estimate,
    Fixes,
    Imu,
    Recording,
    RecordingSpec,
    Tap,
    TimedRecording,
)
from pipeline.measure.clock.counter import CounterFit
from pipeline.measure.clock.days import STAMP_SD_S, place_in_session, stamps_clock
from pipeline.measure.clock.motion import UNKNOWN_DELAY_S, tie_by_motion, usual_delay
from pipeline.measure.clock.taps import tie_counters
from pipeline.measure.clock.tidy import stamp_interval_s, tidy_fixes, tidy_imu


def tie(
    pairs: Sequence[tuple[RecordingSpec, Recording]],
    taps: Sequence[Tap] = (),
    speed_delay: Mapping[str, Estimate] | None = None,
) -> tuple[TimedRecording, ...]:
    """Put each recording on UTC; they come back in the order given.

    `speed_delay` tells by runner how late [s] the receiver's speed is, where that is known
    better than position against speed in the same file can tell. Only ties by motion use it.
    """
    recordings = place_in_session([_take_stamps(*pair) for pair in pairs], taps)
    counters = {i: _counter_imu(timed) for i, timed in enumerate(recordings)}
    loose = {i: imu for i, imu in counters.items() if imu is not None}
    usual = UNKNOWN_DELAY_S
    if loose:
        usual = usual_delay([timed.fixes for timed in recordings if timed.fixes is not None])
    motion = {}
    for i, imu in loose.items():
        runner = recordings[i].spec.runner
        own = [t.fixes for t in recordings if t.spec.runner == runner and t.fixes is not None]
        fit = tie_by_motion(imu, own, (speed_delay or {}).get(runner), usual)
        if fit is not None:
            motion[i] = fit
    fits = tie_counters(loose, motion, [timed.imu for timed in recordings], taps)
    return tuple(_put_on_utc(timed, fits.get(i)) for i, timed in enumerate(recordings))


def _take_stamps(spec: RecordingSpec, recording: Recording) -> TimedRecording:
    """The streams tidied. Those stamped in UTC are in place, counters are not yet."""
    fixes, dropped_fixes = tidy_fixes(recording.fixes)
    imu, dropped_imu = tidy_imu(recording.imu)
    loose = Clock("none", remarks=("its counter could not be tied to UTC",))
    fixes_utc = fixes is not None and fixes.basis == "utc"
    imu_utc = imu is not None and imu.basis == "utc" and spec.clock == "gnss"
    return TimedRecording(
        spec=spec,
        recording=recording,
        fixes=fixes if fixes_utc else None,
        fixes_clock=None
        if fixes is None
        else _utc_clock(recording.fixes, fixes)
        if fixes_utc
        else loose,
        imu=imu if imu_utc else None,
        imu_clock=None if imu is None else _utc_clock(recording.imu, imu) if imu_utc else loose,
        dropped_fixes=dropped_fixes,
        dropped_imu=dropped_imu,
    )


def _utc_clock(raw: Fixes | Imu | None, tidied: Fixes | Imu) -> Clock:
    """The clock of a stream stamped in UTC, with what coarse stamps leave open."""
    open_s = None if raw is None else stamp_interval_s(raw.t_s)
    if open_s is None:
        return stamps_clock(tidied.t_s)
    sd_s = math.hypot(STAMP_SD_S, open_s / math.sqrt(12))  # anywhere in the interval
    remark = f"several samples share each stamp: the clock is known to {sd_s:.3f} s only"
    return stamps_clock(tidied.t_s, remarks=(remark,), sd_s=sd_s)


def _counter_imu(timed: TimedRecording) -> Imu | None:
    """The accelerometer that is still on its own counter, if there is one."""
    return tidy_imu(timed.recording.imu)[0] if timed.imu is None else None


def _put_on_utc(timed: TimedRecording, fit: CounterFit | None) -> TimedRecording:
    """The counter's streams on UTC; without a fit the recording stays as it is."""
    imu, _ = tidy_imu(timed.recording.imu)
    if fit is None or imu is None:
        return timed
    clock = fit.clock((imu.t_s[0], imu.t_s[-1]))
    timed = replace(timed, imu=replace(imu, t_s=fit.utc(imu.t_s), basis="utc"), imu_clock=clock)
    fixes, _ = tidy_fixes(timed.recording.fixes)
    if fixes is None or fixes.basis == "utc":
        return timed
    # One file has one counter, so its fixes follow its accelerometer.
    return replace(
        timed, fixes=replace(fixes, t_s=fit.utc(fixes.t_s), basis="utc"), fixes_clock=clock
    )

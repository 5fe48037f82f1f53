"""A free-running counter as a straight line to UTC: what taps and motion estimate."""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np

from pipeline.base.values import Clock, Floats

CRYSTAL_PPM = 30.0  # watch crystals are cut to 20 ppm; cold, warmth and age add as much again


class CounterFit(NamedTuple):
    """utc = utc_s + (t - t_ref_s)(1 + rate_ppm 1e-6), all in seconds.

    `cov` (2, 2) is the covariance of (utc_s, rate_ppm). `common_sd_s` is an error that all
    counters tied this way share, such as a delay of the receivers. `basis` says what ties it.
    """

    t_ref_s: float
    utc_s: float
    rate_ppm: float
    cov: Floats
    common_sd_s: float = 0.0
    remarks: tuple[str, ...] = ()
    basis: Literal["taps", "motion"] = "motion"

    @property
    def sd_s(self) -> float:
        """Standard error of UTC at `t_ref_s`, the common error included."""
        return float(np.sqrt(self.cov[0, 0] + self.common_sd_s**2))

    def utc(self, t_s: Floats) -> Floats:
        """UTC [s] of moments on the counter."""
        return np.asarray(self.utc_s + (t_s - self.t_ref_s) * (1 + self.rate_ppm * 1e-6))

    def counter(self, utc_s: Floats) -> Floats:
        """Moments on the counter [s] of UTC: the inverse of `utc`."""
        return np.asarray(self.t_ref_s + (utc_s - self.utc_s) / (1 + self.rate_ppm * 1e-6))

    def clock(self, span_s: tuple[float, float]) -> Clock:
        """The same line as a `Clock`, whose formula is utc = zero + t / (1 + drift).

        `span_s`: first and last moment on the counter. The clock's standard error is that at
        their middle.
        """
        slope = 1 + self.rate_ppm * 1e-6
        cov = self.cov + np.diag([self.common_sd_s**2, 0.0])
        middle = np.array([1.0, (0.5 * (span_s[0] + span_s[1]) - self.t_ref_s) * 1e-6])
        return Clock(
            basis=self.basis,
            counter_zero_utc_s=self.utc_s - self.t_ref_s * slope,
            drift_ppm=(1 / slope - 1) * 1e6,
            sd_s=float(np.sqrt(middle @ cov @ middle)),
            ref_utc_s=self.utc_s,
            cov=((cov[0, 0], -cov[0, 1]), (-cov[1, 0], cov[1, 1])),
            remarks=self.remarks,
        )

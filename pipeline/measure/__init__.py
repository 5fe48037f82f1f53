"""Recordings to takeovers: clocks, traces, finding, the estimator, the pass."""

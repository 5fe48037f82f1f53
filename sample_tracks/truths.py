"""What really happened: measured on the finished motion of both trunks, and written down."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from evening import Body
from people import Floats, RepRun
from practice import Site

Row = dict[str, Any]
Curve = tuple[Floats, Floats, Floats]  # t_utc_s, s_m, v_mps


@dataclass
class Truth:
    """An evening as it was; see README.md for the words. `bodies` and `grid_s`: the inner
    motion at 200 Hz, for tests; not written."""

    folder: Path
    session: Row
    exchanges: list[Row]
    recordings: list[Row]
    runners: list[Row]
    others: list[Row]  # runs that are no takeovers
    taps: list[float]
    curves: dict[tuple[int, str], Curve] = field(repr=False)
    bodies: dict[str, Body] = field(repr=False)
    grid_s: Floats = field(repr=False)
    observers: list[Row] = field(default_factory=list)  # each with the truth of its rows


def cross(s_m: Floats, at_m: float, t_s: Floats) -> float | None:
    """First moment at which s (n,) passes `at_m`, or None."""
    k = np.flatnonzero((s_m[:-1] < at_m) & (s_m[1:] >= at_m))
    if len(k) == 0:
        return None
    i = int(k[0])
    part = (at_m - s_m[i]) / (s_m[i + 1] - s_m[i])
    return float(t_s[i] + part * (t_s[i + 1] - t_s[i]))


def _at(y: Floats, t_s: float | None, grid_s: Floats) -> float | None:
    return None if t_s is None else float(np.interp(t_s, grid_s, y))


def measure(
    staged: Row, start: int, run: RepRun, site: Site, bodies: dict[str, Body], grid_s: Floats
) -> Row:
    """The truth of one takeover: `staged` is who, where and what was meant."""
    bi, bo = bodies[staged["incoming"]], bodies[staged["outgoing"]]
    w = slice(start, min(start + len(run.s_in), len(grid_s)))
    t, s_in, s_out = grid_s[w], bi.l_m[w] - site.entry_l_m, bo.l_m[w] - site.entry_l_m
    entry, exit_ = cross(s_in, 0.0, t), cross(s_out, site.zone_m, t)
    go = None if run.go_t is None else float(t[0] + run.go_t)
    mark = None if staged["mark_m"] is None else cross(s_in, staged["trigger_s"], t)
    done = run.pass_t is not None
    out = staged | {
        "start_utc_s": float(t[0]), "outcome": "passed" if done else "not passed",
        "brakes_early": run.slowed, "collision_avoided": run.collided,
        "outgoing_eased": run.eased, "entry_utc_s": entry, "exit_utc_s": exit_,
        "mark_utc_s": mark, "go_utc_s": go,
        "go_lag_s": None if go is None or mark is None else go - mark,
        "v_in_entry_mps": _at(bi.v_smooth_mps, entry, grid_s),
        "v_out_exit_mps": _at(bo.v_smooth_mps, exit_, grid_s),
    }  # fmt: skip
    out |= _the_hand(run, bo, float(t[0]), go)
    out |= _the_pass(run, site, bi, bo, grid_s, w, entry, exit_, go)
    out["faults"] = _faults(out, run, site)
    return out


def _the_hand(run: RepRun, bo: Body, start_utc_s: float, go: float | None) -> Row:
    if run.hand_back_t is None or go is None:
        return {"hand_back_utc_s": None, "steps_to_hand_back": None}
    back = start_utc_s + run.hand_back_t
    return {"hand_back_utc_s": back, "steps_to_hand_back": _steps(bo, go, back)}


def _steps(bo: Body, go: float, until: float) -> int:
    return int(np.sum((bo.contact_t > go) & (bo.contact_t <= until)))


def _the_pass(
    run: RepRun, site: Site, bi: Body, bo: Body, grid_s: Floats, w: slice,
    entry: float | None, exit_: float | None, go: float | None,
) -> Row:  # fmt: skip
    names = ("pass_utc_s", "pass_m", "free_distance_m", "v_in_pass_mps", "v_out_pass_mps",
             "steps_to_pass", "zone_time_s", "baton_zone_time_s")  # fmt: skip
    if run.pass_t is None or go is None:
        return dict.fromkeys(names)
    t, s_in, s_out = grid_s[w], bi.l_m[w] - site.entry_l_m, bo.l_m[w] - site.entry_l_m
    tp = float(t[0] + run.pass_t)
    in_s, out_s = (float(np.interp(tp, t, s)) for s in (s_in, s_out))
    steps = _steps(bo, go, tp)
    # the baton goes with the incoming trunk until the pass, with the outgoing trunk after it
    carried_out = cross(s_in, site.zone_m, t)
    leaves = carried_out if carried_out and carried_out <= tp else max(exit_ or tp, tp)
    enters = entry if entry and entry <= tp else max(cross(s_out, 0.0, t) or tp, tp)
    values = (
        tp, 0.5 * (in_s + out_s), out_s - in_s, _at(bi.v_smooth_mps, tp, grid_s),
        _at(bo.v_smooth_mps, tp, grid_s), steps,
        None if entry is None or exit_ is None else exit_ - entry, leaves - enters,
    )  # fmt: skip
    return dict(zip(names, values, strict=True))


def _faults(x: Row, run: RepRun, site: Site) -> list[str]:
    at = x["pass_m"]
    said = {
        "early start": x["injected"] == "early start",  # against this runner's habit
        "late start": x["injected"] == "late start",
        "ran into": run.collided,
        "ran away": run.pass_t is None and run.go_t is not None,
        "incoming slowed": run.slowed,
        "outgoing eased": run.eased,
        "passed before the zone": at is not None and at < 0,
        "passed beyond the zone": at is not None and at > site.zone_m,
    }
    return [word for word, so in said.items() if so]


def curves_of(
    x: Row, start: int, run: RepRun, site: Site, bodies: dict[str, Body], grid_s: Floats
) -> dict[tuple[int, str], Curve]:
    """From the set-off (or 60 m before the zone) to 30 m beyond it, 25 rows a second."""
    w = slice(start, min(start + len(run.s_in), len(grid_s)))
    s = {r: bodies[x[r]].l_smooth_m[w] - site.entry_l_m for r in ("incoming", "outgoing")}
    first = int(np.argmax(s["incoming"] >= -60))
    beyond = s["outgoing"] > site.zone_m + 30
    last = int(np.argmax(beyond)) if beyond.any() else len(beyond)
    keep = slice(first, last, 8)
    return {
        (x["exchange"], r): (grid_s[w][keep], s[r][keep], bodies[x[r]].v_smooth_mps[w][keep])
        for r in ("incoming", "outgoing")
    }


def plain(x: Any) -> Any:
    """For JSON: numpy scalars to Python's, floats to six decimals."""
    if isinstance(x, dict):
        return {k: plain(v) for k, v in x.items()}
    if isinstance(x, list | tuple):
        return [plain(v) for v in x]
    if isinstance(x, bool | np.bool_):
        return bool(x)
    if isinstance(x, int | np.integer):
        return int(x)
    if isinstance(x, float | np.floating):
        return round(float(x), 6)
    return x


def write(t: Truth, folder: Path | None) -> None:
    """truth.json and truth_curves.csv beside the session, or under its id in `folder`."""
    doc = {
        "session": t.session, "exchanges": t.exchanges, "recordings": t.recordings,
        "runners": t.runners, "others": t.others, "taps_utc_s": t.taps,
        "observers": t.observers,
    }  # fmt: skip
    stem = (t.folder / "truth") if folder is None else (folder / t.session["id"])
    stem.parent.mkdir(parents=True, exist_ok=True)
    stem.with_name(stem.name + ".json").write_text(json.dumps(plain(doc), indent=1) + "\n")
    if t.curves:
        rows = ["exchange,role,t_utc_s,s_m,v_mps"]
        for (exchange, role), columns in t.curves.items():
            rows += [
                f"{exchange},{role},{a:.3f},{b:.3f},{c:.3f}"
                for a, b, c in zip(*columns, strict=True)
            ]
        stem.with_name(stem.name + "_curves.csv").write_text("\n".join(rows) + "\n")

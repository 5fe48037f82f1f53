"""Accelerometers on wrists: arms that swing, reach for the baton, and much else.

Nobody measured a wrist in a takeover where we could have read of it. So the ranges below are wide,
and were written down before anything was made to look for the signs in them:

- a wrist 0.35 to 0.5 m from the shoulder swings by 25 to 70 degrees either way, about a middle that
  differs, with a second wave in it, an elbow that opens and closes, and some of it sideways;
- the receiver's arm leaves its swing 0.2 to 1.3 s (mostly 0.35 to 0.75 s) before the touch, takes
  0.15 to 0.35 s to get back (in 0.1 s it would take 40 g), and is held at 40 to 110 degrees behind
  (upsweep low, push and downsweep high), none too still: up to a quarter of the swing, a tremor of
  0.1 to 1.2 g and the trunk's bounce remain;
- the incoming runner's arm leaves it 0.15 to 0.8 s before, and is held 60 to 105 degrees in front;
- hand and baton touch up to 0.08 s before the baton changes hands, with a knock of nothing (one in
  seven) to 12 g and 8 to 30 ms; one in five grips twice;
- either arm swings again up to 0.15 s after, within 0.15 to 0.35 s; the incoming runner's weaker;
- a unit takes 25 to 200 samples a second, each a mean over its interval or a glance, clips at 8, 16
  or 32 g, feels a tenth to nearly all of the footfalls' shocks, and rings or rattles on its strap.

What may go wrong or mislead is listed in KINDS.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import devices
import files
import numpy as np
import writers
from evening import Body, G, ease
from people import Floats, Person, Rng, slow_noise

KINDS = {
    "reach": "the arm reaches for the baton and gets it",
    "other arm": "the unit is on the arm that does nothing: it swings on",
    "early": "as reach, but the arm is held there 1 to 2 s before",
    "twice": "the arm reaches, swings once more, reaches again and gets the baton",
    "holds on": "as reach, but the arm stays where it is for 0.2 to 0.6 s after the baton",
    "clap": "other arm, with a blow on it at any moment",
    "look": "other arm, held still for 0.3 to 0.7 s at another moment",
    "stiff": "as reach, by one who swings little and shakes much",
    "no baton": "the receiver's arm reaches, gets nothing and swings on",
}
MISLEADING = ("early", "twice", "holds on", "clap", "look", "stiff")


@dataclass(frozen=True)
class Arm:
    """How one arm moves and what its unit does; angles in rad from hanging, forwards positive."""

    side: str
    swing: float
    middle: float
    second_wave: float
    wrist_m: float  # from the shoulder, while it swings
    stretched_m: float
    elbow: float  # bend while it swings
    sideways: float
    back: float  # where the hand is held for the baton
    front: float  # where it is stretched to with the baton
    raise_s: float
    thrust_s: float
    return_s: float
    still: float  # share of the swing left while held
    tremor_g: float
    carries: float  # share of the swing, after the pass, of who has the baton, ...
    empty: float  # ... and of who has not
    lead_s: float  # from the touch to the change of hands
    shocks: float  # share of the trunk's footfalls felt
    ring_hz: float
    ring_s: float
    rattle: float


@dataclass(frozen=True)
class WristUnit:
    rate_hz: float
    range_g: float
    averages: bool
    noise_mps2: float


@dataclass(frozen=True)
class Reach:
    """An arm leaves its swing at `from_s`, is at `angle` `raise_s` later, and returns from
    `until_s` on."""

    from_s: float
    raise_s: float
    until_s: float
    return_s: float
    angle: float


@dataclass(frozen=True)
class Acts:
    """What one arm does in one takeover; `share` of its swing it has after `until_s`."""

    kind: str
    reaches: tuple[Reach, ...] = ()
    knocks: tuple[devices.Knock, ...] = ()
    after_s: float = np.inf
    share: float = 1.0
    back_s: float | None = None  # the hand is where it takes the baton


def draw_arm(rng: Rng) -> Arm:
    u = rng.uniform
    return Arm(
        side=str(rng.choice(["left", "right"])),
        swing=np.radians(u(25, 70)), middle=np.radians(u(-15, 20)), second_wave=u(0.0, 0.25),
        wrist_m=u(0.35, 0.5), stretched_m=u(0.5, 0.65), elbow=u(1.0, 1.9), sideways=u(0.05, 0.3),
        back=-np.radians(u(40, 110)), front=np.radians(u(60, 105)),
        raise_s=u(0.15, 0.35), thrust_s=u(0.12, 0.3), return_s=u(0.15, 0.35),
        still=u(0.02, 0.25), tremor_g=u(0.1, 1.2), carries=u(0.8, 1.05), empty=u(0.4, 1.0),
        lead_s=u(0.0, 0.07), shocks=u(0.1, 0.9), ring_hz=u(15, 40), ring_s=u(0.005, 0.06),
        rattle=float(rng.choice([0.0, u(0.0, 0.15), u(0.1, 0.4)], p=[0.4, 0.4, 0.2])),
    )  # fmt: skip


def draw_unit(rng: Rng, rate_hz: float | None = None) -> WristUnit:
    return WristUnit(
        float(rng.choice([25.0, 50.0, 100.0, 200.0])) if rate_hz is None else rate_hz,
        float(rng.choice([8.0, 16.0, 32.0], p=[0.25, 0.6, 0.15])),
        bool(rng.random() < 0.5),
        rng.uniform(0.03, 0.4),
    )


@dataclass(frozen=True)
class Handover:
    """What both arms have in common: the baton's moments (UTC), and how hard it is put there."""

    go_s: float
    pass_s: float | None
    back_s: float | None  # the hand is there, where that is told
    end_s: float  # nothing happens later
    touch_s: float | None
    knock_g: float
    width_s: float
    again_s: float | None


def draw_handover(
    rng: Rng, arm: Arm, go_s: float, pass_s: float | None, back_s: float | None, end_s: float,
    knock_g: float | None = None,
) -> Handover:  # fmt: skip
    """`arm` is the receiver's; `knock_g` fixes the size of the touch in g."""
    size = float(np.exp(rng.normal(np.log(2.5), 0.9))) if rng.random() > 1 / 7 else 0.0
    size = min(size, 12.0) if knock_g is None else knock_g
    width, lead = rng.uniform(0.008, 0.03), max(0.0, arm.lead_s + rng.normal(0, 0.01))
    again = float(rng.uniform(0.03, 0.12)) if rng.random() < 0.2 else None
    touch = None if pass_s is None else pass_s - lead
    return Handover(go_s, pass_s, back_s, end_s, touch, size, width, again)


def draw_acts(rng: Rng, arm: Arm, one: Handover, role: str, kind: str) -> Acts:
    """What the arm with the unit does; `role` is incoming or outgoing, `kind` one of KINDS."""
    u = rng.uniform
    receives = role == "outgoing"
    if one.pass_s is None and kind not in ("other arm", "clap", "look"):
        kind = "no baton" if receives else "other arm"
    if kind in ("other arm", "clap", "look"):
        at = float(u(one.go_s + 0.8, max(one.go_s + 1.2, one.end_s - 0.8)))
        knocks = ((at, u(2, 8), u(0.008, 0.03)),) if kind == "clap" else ()
        reaches: tuple[Reach, ...] = ()
        if kind == "look":
            reaches = (Reach(at, u(0.1, 0.2), at + u(0.3, 0.7), arm.return_s, u(-0.8, 0.8)),)
        return Acts(kind, reaches, knocks)
    raise_s, angle = (arm.raise_s, arm.back) if receives else (arm.thrust_s, arm.front)
    usual, spread, least, most = (0.5, 0.45, 0.2, 1.3) if receives else (0.35, 0.4, 0.15, 0.8)
    held = float(np.clip(np.exp(rng.normal(np.log(usual), spread)), least, most))
    if kind == "early":
        held += u(1.0, 2.0) if receives else u(0.4, 0.8)
    if kind == "no baton":
        at = one.back_s if one.back_s is not None else float(u(one.go_s + 1.2, one.go_s + 2.5))
        reach = Reach(at - raise_s, raise_s, at + u(0.3, 1.2), arm.return_s, angle)
        return Acts(kind, (reach,), back_s=at)
    touch, passed = one.touch_s or 0.0, one.pass_s or 0.0
    begins = touch - held
    if receives and one.back_s is not None and kind in ("reach", "holds on", "stiff"):
        begins = min(one.back_s - raise_s, touch - least)
    begins = max(begins, min(one.go_s + 0.5, touch - least))
    raise_s = min(raise_s, 0.8 * (touch - begins))
    until = passed + (u(0.01, 0.12) if receives else u(0.0, 0.15))
    if kind == "holds on":
        until += u(0.2, 0.6)
    reaches = (Reach(begins, raise_s, until, arm.return_s, angle),)
    if kind == "twice":
        before = begins - u(0.2, 0.5) - arm.return_s
        sooner = before - u(0.2, 0.5)
        if sooner > one.go_s + 0.4:
            reaches = (Reach(sooner, raise_s, before, arm.return_s, angle), *reaches)
    felt = one.knock_g * u(0.5, 1.2)
    knocks = ((touch, felt, one.width_s),)
    if one.again_s is not None:
        knocks = (*knocks, (touch + one.again_s, felt * u(0.3, 1.2), one.width_s))
    share = arm.carries if receives else arm.empty
    return Acts(kind, reaches, knocks, until, share, begins + raise_s)


def feel(
    rng: Rng, body: Body, grid_s: Floats, t_s: Floats, arm: Arm, unit: WristUnit, acts: list[Acts]
) -> Floats:
    """(n, 3) specific force in m/s² at `t_s`, of a unit on the wrist of `body`."""
    if any(act.kind == "stiff" for act in acts):
        arm = replace(arm, swing=0.35 * arm.swing, still=0.4, tremor_g=1.5)
    dt, n = float(grid_s[1] - grid_s[0]), len(grid_s)
    pace = np.abs(body.v_smooth_mps)
    turn = np.pi * body.phase + (0.0 if arm.side == "left" else np.pi)
    size = arm.swing * np.clip(pace / (0.7 * body.person.top_mps), 0, 1.1) ** 0.5
    size *= 1 + 0.1 * slow_noise(rng, n, dt, 0.5, 1.0)
    held, goal, share = np.zeros(n), np.zeros(n), np.ones(n)
    for act in acts:
        for reach in act.reaches:
            rises = ease((grid_s - reach.from_s) / reach.raise_s)
            falls = ease((grid_s - reach.until_s) / reach.return_s)
            here = rises * (1 - falls)
            held = np.maximum(held, here)
            goal = np.where(here > 0, reach.angle, goal)
        if np.isfinite(act.after_s):  # until he stands again
            late = ease((grid_s - act.after_s) / 0.3) - ease((grid_s - act.after_s - 8) / 0.3)
            share = share + (act.share - 1) * late
    size *= share
    wave = np.sin(turn) + arm.second_wave * np.sin(2 * turn + 0.7)
    still = goal + arm.still * size * wave
    angle = (1 - held) * (arm.middle + size * wave) + held * still
    wrist = (1 - held) * arm.wrist_m * (1 + 0.12 * size * np.cos(turn)) + held * arm.stretched_m
    bend = (1 - held) * arm.elbow * (1 + 0.2 * size * wave) + held * 0.15
    place = np.stack(
        [
            wrist * np.sin(angle) + 0.04 * size * np.cos(turn),
            arm.sideways * wrist * size * (1 - 0.8 * held) * np.cos(turn + 0.4),
            -wrist * np.cos(angle),
        ],
        1,
    )
    own = np.gradient(np.gradient(place, dt, axis=0), dt, axis=0)
    force = own + np.stack([body.fwd_mps2, body.left_mps2, body.up_mps2], 1)
    shaking = np.stack([slow_noise(rng, n, dt, 0.03, arm.tremor_g * G, 4.0) for _ in range(3)], 1)
    force += held[:, None] * shaking
    forearm = angle + bend
    along = np.sin(forearm) * force[:, 0] - np.cos(forearm) * force[:, 2]
    across = np.cos(forearm) * force[:, 0] + np.sin(forearm) * force[:, 2]
    in_arm = np.stack([along, across, force[:, 1]], 1)
    out = np.stack([np.interp(t_s, grid_s, in_arm[:, k]) for k in range(3)], 1)
    step = 1 / unit.rate_hz if unit.averages else 0.001
    _add_shocks(rng, out, t_s, body, arm, step)
    for act in acts:
        for when, g, width in act.knocks:
            _add_knock(rng, out, t_s, arm, (when, g, width), step)
    loose = np.stack([slow_noise(rng, len(t_s), 1 / unit.rate_hz, 0.02, 1.0) for _ in range(3)], 1)
    out += arm.rattle * np.linalg.norm(out, axis=1)[:, None] * loose
    out = out @ np.linalg.qr(rng.standard_normal((3, 3)))[0].T
    out = out * (1 + rng.normal(0, 0.01, 3)) + rng.normal(0, 0.2, 3)
    out += unit.noise_mps2 * rng.standard_normal(out.shape)
    return np.clip(out, -unit.range_g * G, unit.range_g * G)


def _add_shocks(rng: Rng, out: Floats, t_s: Floats, body: Body, arm: Arm, step_s: float) -> None:
    n = len(body.contact_t)
    size = arm.shocks * body.person.impact_g * np.clip(body.contact_v / 8, 0.05, 1.2)
    size = size * np.exp(0.3 * rng.standard_normal(n))
    way = rng.standard_normal(3) + 0.3 * rng.standard_normal((n, 3))
    way /= np.linalg.norm(way, axis=1)[:, None]
    late = rng.uniform(0.008, 0.025)
    width = rng.uniform(0.025, 0.05, n)
    devices.add_bumps(out, t_s, body.contact_t + late, width, (size * G)[:, None] * way, step_s)


def _add_knock(
    rng: Rng, out: Floats, t_s: Floats, arm: Arm, knock: devices.Knock, step_s: float
) -> None:
    """A blow, and how the strap rings after it."""
    when, g, width = knock
    way = rng.standard_normal(3)
    peak = (g * G * way / np.linalg.norm(way))[None]
    devices.add_bumps(out, t_s, np.array([when]), np.array([width]), peak, step_s)
    after = t_s - when
    ring = np.exp(-np.clip(after, 0, None) / arm.ring_s) * np.sin(2 * np.pi * arm.ring_hz * after)
    out += 0.4 * peak * np.where(after > 0, ring, 0.0)[:, None]


# --- an evening ---------------------------------------------------------------------------------


def record(
    folder: Path, rng: Rng, kinds: Sequence[str], rate_hz: float | None, squad: Sequence[Person],
    exchanges: Sequence[dict[str, Any]], bodies: dict[str, Body], grid_s: Floats,
) -> tuple[list[files.Row], list[files.Listed]]:  # fmt: skip
    """Write a file of a unit on the wrist for each runner to whom `kinds`, dealt in turn, give one
    of KINDS ("": none); what was put into it, and the lines for session.toml."""
    arms = {p.id: draw_arm(rng) for p in squad}
    handovers = [_handover_of(rng, arms[x["outgoing"]], x) for x in exchanges]
    rows: list[files.Row] = []
    listed: list[files.Listed] = []
    for k, p in enumerate(squad):
        kind = kinds[k % len(kinds)]
        if not kind:
            continue
        unit, acts, told = draw_unit(rng, rate_hz), [], []
        for x, one in zip(exchanges, handovers, strict=True):
            for role in ("incoming", "outgoing"):
                if x[role] != p.id or one is None:
                    continue
                act = draw_acts(rng, arms[p.id], one, role, kind)
                acts.append(act)
                told.append({"exchange": x["exchange"], "role": role, "kind": act.kind,
                             "hand_back_utc_s": act.back_s, "knock_g": one.knock_g})  # fmt: skip
        first = np.ceil((grid_s[0] + rng.uniform(0.2, 2)) * unit.rate_hz) / unit.rate_hz
        t_s = np.arange(first, grid_s[-1] - 1, 1 / unit.rate_hz)
        acc = feel(rng, bodies[p.id], grid_s, t_s, arms[p.id], unit, acts)
        name = f"{p.id}-wrist.csv"
        columns = {f"acc_{a}_mps2": np.round(acc[:, k], 2) for k, a in enumerate("xyz")}
        (folder / name).write_bytes(writers.csv_table({"time_utc": writers.iso(t_s)} | columns))
        listed.append(files.Listed(p.id, name, "gnss", worn=f"{arms[p.id].side}-wrist"))
        rows.append({"runner": p.id, "file": name, "sensor": "imu", "rate_hz": unit.rate_hz,
                     "range_g": unit.range_g, "acts": told})  # fmt: skip
    return rows, listed


def _handover_of(rng: Rng, arm: Arm, x: dict[str, Any]) -> Handover | None:
    if x["go_utc_s"] is None:
        return None
    end = x["exit_utc_s"] if x["exit_utc_s"] is not None else x["go_utc_s"] + 5.0
    back = x.get("hand_back_utc_s")
    return draw_handover(rng, arm, x["go_utc_s"], x["pass_utc_s"], back, end + 1.2)

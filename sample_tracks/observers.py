"""A second pair of eyes: what a film, timing gates or a stopwatch give of an evening that was made.

`write_observations` works from the truth of an evening alone and writes one CSV an observer, its
lines for session.toml, and what was really there. Chance has generators of its own, so that the
same evening without observers stays as it is.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from people import Floats, Rng
from truths import Row, Truth, cross

Lines = list[dict[str, str]]
Slip = Callable[[Lines, Rng], tuple[int, ...]]  # spoils the lines; the reps that are now wrong

FRAMES_PER_S = (50.0, 60.0, 100.0, 120.0, 240.0)
VIEWS = {  # where the camera stands, and what is in view from there
    "entry side": ("go", "entry", "hand back", "pass"),
    "exit side": ("pass", "exit"),
    "passes": ("pass",),
    "all": ("go", "entry", "hand back", "pass", "exit"),
}
TRUE_MOMENTS = {
    "mark": "mark_utc_s",
    "go": "go_utc_s",
    "entry": "entry_utc_s",
    "hand back": "hand_back_utc_s",
    "pass": "pass_utc_s",
    "exit": "exit_utc_s",
}


@dataclass(frozen=True)
class Film:
    """A film beside the zone, stepped through afterwards. None: drawn for this film.

    `part`: from which to which share of the evening's reps, in an order drawn once an evening, so
    that two films of (0, 0.5) show the same reps and (0, 0.5), (0.5, 1) show different ones;
    `sd_s`: standard error of a reading, frames included; `clock`: own, or rep where each rep is a
    clip of its own; `misread_share`: rows that are read a frame too early or late, or, one of
    three, by 0.1 to 1 s; `near_off_s`: how far `near_utc` may be off (None: it is not given);
    `place_sd_m`: with the place of the pass, seen with this error; `go_bias_s`: how much later
    (negative: earlier) this person sees a first movement than it is.
    """

    id: str = "film"
    view: str | None = None  # of VIEWS
    part: tuple[float, float] = (0.0, 1.0)
    frames_per_s: float | None = None  # of FRAMES_PER_S
    sd_s: float = 0.02
    rate_ppm: float | None = None  # within 50
    clock: str = "own"
    misread_share: float = 0.0
    missing_share: float = 0.0
    near_off_s: float | None = 120.0
    place_sd_m: float | None = None
    go_bias_s: float | None = 0.0  # None: within 0.04
    use: str = "measure"


@dataclass(frozen=True)
class Gates:
    """Timing gates at the entry line, within the zone and at the exit line. Chest or arm break a
    beam, a lead ahead of the trunk that is each runner's own plus the swing of an arm.

    `offset_s`: how much the whole system's times are late."""

    id: str = "gates"
    part: tuple[float, float] = (0.0, 1.0)
    sd_s: float = 0.003
    offset_s: float = 0.0
    lead_m: tuple[float, float] = (0.15, 0.40)
    swing_m: float = 0.15
    missing_share: float = 0.0
    use: str = "check"


@dataclass(frozen=True)
class Watch:
    """A stopwatch, pressed at `zero` and read with a split for each later event of `sees`; whoever
    presses does so late by `reaction_s` (None: drawn from 0.1 to 0.3)."""

    id: str = "watch"
    zero: str = "entry"  # or go
    sees: tuple[str, ...] = ("pass", "exit")
    part: tuple[float, float] = (0.0, 1.0)
    sd_s: float = 0.15
    reaction_s: float | None = None
    missing_share: float = 0.0
    use: str = "measure"


Observing = Film | Gates | Watch


@dataclass(frozen=True)
class Seen:
    """One row to be: what was written, and what was there."""

    exchange: Row
    event: str
    true_utc_s: float
    cells: dict[str, str]
    gate: str | None = None
    runner: str | None = None
    trunk_utc_s: float | None = None  # at a gate: when the trunk crossed it
    lead_m: float | None = None
    misread_s: float = 0.0


def draw_observers(seed: int) -> tuple[Film, ...]:
    """One or two films of half an evening's reps, always with the pass, read to 0.02 s."""
    rng: Rng = np.random.default_rng([seed, 20261202])
    first = Film(
        "film-one",
        view=str(rng.choice(list(VIEWS))),
        part=(0.0, 0.5),
        misread_share=float(rng.uniform(0.0, 0.04)),
        missing_share=float(rng.uniform(0.0, 0.1)),
        near_off_s=120.0 if rng.random() < 0.7 else None,
        place_sd_m=float(rng.uniform(0.3, 0.5)) if rng.random() < 0.3 else None,
        go_bias_s=None,
    )
    if rng.random() < 0.5:
        return (first,)
    # a second person: of the same reps, or of other ones so that both together show half
    parts = ((0.0, 0.5), (0.0, 0.5)) if rng.random() < 0.5 else ((0.0, 0.25), (0.25, 0.5))
    second = replace(first, id="film-two", view=str(rng.choice(list(VIEWS))), part=parts[1])
    return replace(first, part=parts[0]), second


# --- one observer -------------------------------------------------------------------------


def gate_places_m(zone_m: float) -> dict[str, float]:
    """Where the gates stand, metres past the entry line."""
    return {"gate-entry": 0.0, "gate-middle": 0.6 * zone_m, "gate-exit": zone_m}


def write_observations(truth: Truth, seed: int, observing: tuple[Observing, ...]) -> None:
    """Write each observer's CSV and its [[observer]] of session.toml, and add to the truth.

    Where there is no sheet, rows name the runners, since reps have no numbers. The places of gates
    have to be in the venue.
    """
    order_rng, *own = np.random.default_rng([seed, 20261201]).spawn(1 + len(observing))
    order = [int(k) for k in order_rng.permutation(len(truth.exchanges))]
    tables = []
    for what, rng in zip(observing, own, strict=True):
        first, last = (round(share * len(order)) for share in what.part)
        watched = [truth.exchanges[k] for k in sorted(order[first:last])]
        if isinstance(what, Film):
            said, rows = _film(rng, what, watched)
        elif isinstance(what, Gates):
            said, rows = _gates(rng, what, watched, truth)
        else:
            said, rows = _watch(rng, what, watched)
        rows = [row for row in rows if rng.random() >= what.missing_share]
        _write_sightings(truth.folder / f"{what.id}.csv", rows, truth.session["sheet"])
        tables.append(_toml_table(what, said))
        truth.observers.append({"id": what.id, "file": f"{what.id}.csv", "use": what.use} | said | {
            "watched": [x["exchange"] for x in watched],
            "rows": [_true_row(line, row) for line, row in enumerate(rows, 2)],
        })  # fmt: skip
    with (truth.folder / "session.toml").open("a") as file:
        file.writelines(tables)
    for x in truth.exchanges:
        x["seen_by"] = [
            one["id"]
            for one in truth.observers
            if any(row["exchange"] == x["exchange"] for row in one["rows"])
        ]


def _film(rng: Rng, film: Film, watched: list[Row]) -> tuple[Row, list[Seen]]:
    view = film.view or str(rng.choice(list(VIEWS)))
    frames = film.frames_per_s or float(rng.choice(FRAMES_PER_S))
    drawn_ppm, drawn_bias = float(rng.uniform(-50, 50)), float(rng.uniform(-0.04, 0.04))
    ppm = drawn_ppm if film.rate_ppm is None else film.rate_ppm
    bias = drawn_bias if film.go_bias_s is None else film.go_bias_s
    before = float(rng.uniform(5, 60))
    zero = min((x["start_utc_s"] for x in watched), default=0.0) - before
    noise = float(np.sqrt(max(0.0, film.sd_s**2 - 1 / (12 * frames**2))))
    said = {
        "kind": "film", "clock": film.clock, "view": view, "frames_per_s": frames,
        "sd_s": film.sd_s, "zero_utc_s": zero if film.clock == "own" else None,
        "rate_ppm": ppm, "go_bias_s": bias, "near_utc_s": None,
    }  # fmt: skip
    if film.near_off_s is not None and film.clock == "own":
        off = float(rng.uniform(-film.near_off_s, film.near_off_s))
        said["near_utc_s"] = float(round(zero + off))
    rows = []
    for x in watched:
        if film.clock == "rep":  # the camera is on some seconds before the incoming runner goes
            zero = x["start_utc_s"] - float(rng.uniform(0.5, 4.0))
        for event, true in _moments(x, VIEWS[view]):
            slip = _misreading(rng, film.misread_share, frames)
            off = slip + noise * float(rng.standard_normal()) + (bias if event == "go" else 0.0)
            clock = (true + off - zero) * (1 + ppm * 1e-6)
            cells = {"time_s": f"{round(clock * frames) / frames:.3f}"}
            if film.place_sd_m is not None and event == "pass":
                place = x["pass_m"] + film.place_sd_m * float(rng.standard_normal())
                cells |= {"place_m": f"{place:.1f}", "sd_m": f"{film.place_sd_m:.2f}"}
            rows.append(Seen(x, event, true, cells, misread_s=slip))
    return said, rows


def _moments(x: Row, events: tuple[str, ...]) -> list[tuple[str, float]]:
    """What happened of these, in the order in which it did."""
    at = {event: x[TRUE_MOMENTS[event]] for event in events}
    return sorted(((e, t) for e, t in at.items() if t is not None), key=lambda one: one[1])


def _misreading(rng: Rng, share: float, frames: float) -> float:
    """Nothing, mostly; else a frame, or one time of three much more."""
    is_one, is_much = rng.random() < share, rng.random() < 1 / 3
    much, way = float(rng.uniform(0.1, 1.0)), float(rng.choice([-1, 1]))
    return (way * (much if is_much else 1 / frames)) if is_one else 0.0


def _gates(rng: Rng, gates: Gates, watched: list[Row], truth: Truth) -> tuple[Row, list[Seen]]:
    """Both runners at the gate within the zone, one at each of the others."""
    places = gate_places_m(truth.session["zone_m"])
    leads = {who: float(rng.uniform(*gates.lead_m)) for who in truth.bodies}
    said = {
        "kind": "gates", "clock": "utc", "sd_s": gates.sd_s, "offset_s": gates.offset_s,
        "lead_m": leads, "places_m": places,
    }  # fmt: skip
    rows = []
    for x in watched:
        one: list[Seen] = []
        for gate, place in places.items():
            for role in ("incoming", "outgoing"):
                if (gate, role) in (("gate-entry", "outgoing"), ("gate-exit", "incoming")):
                    continue
                lead = leads[x[role]] + float(rng.uniform(0, gates.swing_m))
                noise = gates.sd_s * float(rng.standard_normal())
                t, s = _way(truth, x, role)
                trunk, broken = cross(s, place, t), cross(s, place - lead, t)
                if trunk is None or broken is None:
                    continue
                cells = {"time_utc": _stamp_ms(broken + gates.offset_s + noise)}
                one.append(Seen(x, "gate", broken, cells, gate, x[role], trunk, lead))
        rows += sorted(one, key=lambda row: row.true_utc_s)
    return said, rows


def _way(truth: Truth, x: Row, role: str) -> tuple[Floats, Floats]:
    """The times (n,) and places (n,) of a trunk from a takeover's set-off on, 20 s long."""
    w = slice(*np.searchsorted(truth.grid_s, [x["start_utc_s"], x["start_utc_s"] + 20.0]))
    return truth.grid_s[w], truth.bodies[x[role]].l_m[w] - truth.session["entry_l_m"]


def _watch(rng: Rng, watch: Watch, watched: list[Row]) -> tuple[Row, list[Seen]]:
    drawn = float(rng.uniform(0.1, 0.3))
    reaction = drawn if watch.reaction_s is None else watch.reaction_s
    said = {"kind": "watch", "clock": "rep", "sd_s": watch.sd_s, "zero": watch.zero,
            "reaction_s": reaction}  # fmt: skip
    rows = []
    for x in watched:
        zero = None
        for event, true in _moments(x, (watch.zero, *watch.sees)):
            press = true + reaction + watch.sd_s * float(rng.standard_normal())
            if event == watch.zero:
                zero = press
            if zero is not None and press >= zero:
                rows.append(Seen(x, event, true, {"time_s": f"{press - zero:.2f}"}))
    return said, rows


# --- files --------------------------------------------------------------------------------


def _write_sightings(path: Path, rows: list[Seen], sheet: bool) -> None:
    whose = ["rep"] if sheet else ["incoming", "outgoing"]
    optional = ("gate", "runner", "time_s", "time_utc", "place_m", "sd_m")
    lines = [
        {name: str(row.exchange[name]) for name in whose}
        | {"event": row.event, "gate": row.gate or "", "runner": row.runner or ""}
        | row.cells
        for row in rows
    ]
    columns = [*whose, "event", *(n for n in optional if any(line.get(n) for line in lines))]
    _write_lines(path, columns, lines)


def _write_lines(path: Path, columns: list[str], lines: Lines) -> None:
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, columns, extrasaction="ignore", lineterminator="\n")
        writer.writeheader()
        writer.writerows(lines)


def _toml_table(what: Observing, said: Row) -> str:
    out = ["", "[[observer]]", f'id = "{what.id}"', f'kind = "{said["kind"]}"']
    out.append(f'file = "{what.id}.csv"')
    if said["kind"] == "film" and said["clock"] != "own":
        out.append(f'clock = "{said["clock"]}"')
    if said.get("near_utc_s") is not None:
        near = datetime.fromtimestamp(said["near_utc_s"], UTC)
        out.append(f"near_utc = {near:%Y-%m-%dT%H:%M:%SZ}")
    out += [f"sd_s = {what.sd_s:g}", f'use = "{what.use}"']
    return "\n".join(out) + "\n"


def _stamp_ms(t_s: float) -> str:
    at = datetime.fromtimestamp(0, UTC) + timedelta(milliseconds=round(1000 * t_s))
    return f"{at:%Y-%m-%dT%H:%M:%S}.{at.microsecond // 1000:03d}Z"


def _true_row(line: int, row: Seen) -> Row:
    x = row.exchange
    out: dict[str, Any] = {
        "line": line, "exchange": x["exchange"], "rep": x["rep"], "event": row.event,
        "true_utc_s": row.true_utc_s, "misread_s": row.misread_s,
    }  # fmt: skip
    if row.gate is not None:
        out |= {"gate": row.gate, "runner": row.runner, "trunk_utc_s": row.trunk_utc_s,
                "lead_m": row.lead_m}  # fmt: skip
    return out


# --- slips --------------------------------------------------------------------------------


def plant_slip(truth: Truth, observer: str, kind: str, seed: int) -> tuple[int, ...]:
    """Spoil an observer's file as `kind`, one of SLIPS, says; the reps whose rows are now wrong.

    The same seed spoils it alike. Needs a sheet, since slips are made in rows with rep numbers."""
    path = truth.folder / f"{observer}.csv"
    with path.open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file))
    wrong = SLIPS[kind](lines, np.random.default_rng([seed, 20261203]))
    _write_lines(path, list(lines[0]), lines)
    return wrong


def swap_films(truth: Truth, observer: str, other: Truth, others_observer: str) -> None:
    """Put another session's film in the place of this one's."""
    there = (other.folder / f"{others_observer}.csv").read_bytes()
    (truth.folder / f"{observer}.csv").write_bytes(there)


def _from_a_rep_on(lines: Lines, rng: Rng) -> tuple[int, tuple[int, ...]]:
    """A rep that is neither the first nor the last, and all from it on."""
    reps = sorted({int(line["rep"]) for line in lines})
    if len(reps) < 3:
        raise ValueError(f"{len(reps)} reps seen: too few to begin a slip in their midst")
    at = int(rng.integers(1, len(reps) - 1))
    return reps[at], tuple(reps[at:])


def _numbers_shifted(lines: Lines, rng: Rng) -> tuple[int, ...]:
    """From some rep on the next number is written."""
    first, wrong = _from_a_rep_on(lines, rng)
    for line in lines:
        if int(line["rep"]) >= first:
            line["rep"] = str(int(line["rep"]) + 1)
    return tuple(rep + 1 for rep in wrong)


def _events_swapped(lines: Lines, rng: Rng) -> tuple[int, ...]:
    """Two events of one rep have each other's time."""
    pairs = [
        (a, b) for a, b in pairwise(lines) if a["rep"] == b["rep"] and a["time_s"] != b["time_s"]
    ]
    if not pairs:
        raise ValueError("no rep has two rows whose times differ")
    a, b = pairs[int(rng.integers(len(pairs)))]
    a["time_s"], b["time_s"] = b["time_s"], a["time_s"]
    return (int(a["rep"]),)


def _half_a_second_off(lines: Lines, rng: Rng) -> tuple[int, ...]:
    line = lines[int(rng.integers(len(lines)))]
    line["time_s"] = f"{float(line['time_s']) + 0.5 * float(rng.choice([-1, 1])):.3f}"
    return (int(line["rep"]),)


def _clock_begun_again(lines: Lines, rng: Rng) -> tuple[int, ...]:
    """The camera was stopped: from some rep on a second film, whose clock begins at nought."""
    first, wrong = _from_a_rep_on(lines, rng)
    later = [line for line in lines if int(line["rep"]) >= first]
    zero = min(float(line["time_s"]) for line in later) - float(rng.uniform(2, 20))
    for line in later:
        line["time_s"] = f"{float(line['time_s']) - zero:.3f}"
    return wrong


SLIPS: dict[str, Slip] = {
    "rep numbers shifted": _numbers_shifted,
    "two events swapped": _events_swapped,
    "half a second off": _half_a_second_off,
    "clock begun again": _clock_begun_again,
}

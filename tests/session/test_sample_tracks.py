"""The generator of the sample tracks: same bytes, sound physics, files as the contract has."""

import ast
import csv
import json
import sys

import devices
import fault_table
import generate
import numpy as np
import people
import plan
import pymap3d
import pytest
import simulate
from checkout import SAMPLES

from pipeline.read import read
from pipeline.read.practice.session import read_session
from pipeline.session.process import make_session_tables

SHEETED = [k for k, v in generate.SESSIONS.items() if v.get("sheet", True)]


def _truth(name):
    return json.loads((SAMPLES / "truth" / f"{name}.json").read_text())


@pytest.fixture(scope="module")
def evening(tmp_path_factory):
    """A session nobody has tuned anything to, with its inner motion."""
    return simulate.make_session(
        tmp_path_factory.mktemp("evening"), 90210, place="bend", taps=2, n_reps=8,
        counter_imu=(True, False, True, True), formats=("csv", "fit", "nmea", "csv.gz"),
    )  # fmt: skip


def test_generator_shares_no_code_with_the_package():
    allowed = set(sys.stdlib_module_names) | {"numpy", "pyarrow"} | {
        p.stem for p in SAMPLES.glob("*.py")
    }  # fmt: skip
    for path in SAMPLES.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            names = []
            if isinstance(node, ast.Import):
                names = [a.name for a in node.names]
            elif isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            for name in names:
                assert name.split(".")[0] in allowed, f"{path.name} imports {name}"


@pytest.mark.parametrize("name", ["larch-long", "larch-unwritten", "larch-race"])
def test_generated_anew_the_bytes_are_the_same(name, tmp_path):
    generate.generate(tmp_path, (name,))
    new = {p.relative_to(tmp_path): p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    old = {
        p.relative_to(SAMPLES): p.read_bytes()
        for p in [*(SAMPLES / name).iterdir(), *(SAMPLES / "truth").glob(f"{name}[._]*")]
    }
    assert set(new) == set(old)
    for path, data in new.items():
        assert data == old[path], f"{path} differs"


def test_another_seed_is_another_evening(tmp_path):
    a, b = (
        simulate.make_session(tmp_path / str(s), s, imu=False, n_reps=1, distractors=())
        for s in (1, 2)
    )
    assert a.exchanges[0]["start_utc_s"] != b.exchanges[0]["start_utc_s"]


def test_samples_stay_small():
    kept = [SAMPLES / "truth", *(SAMPLES / name for name in generate.SESSIONS)]
    files = [*SAMPLES.glob("*.*"), *(p for folder in kept for p in folder.iterdir())]
    files = [p for p in files if p.is_file()]
    assert len(files) > 30
    assert sum(p.stat().st_size for p in files) < 8_000_000


def test_samples_show_every_format_place_event_and_kind():
    formats, gzipped, kinds = set(), 0, set()
    for name in generate.SESSIONS:
        session = read_session(SAMPLES / name / "session.toml")
        kinds.add((session.event, _truth(name)["session"]["place"], session.reps is not None))
        for spec in session.recordings:
            formats.add(read(spec.path, columns=spec.columns, clock=spec.clock).format)
            gzipped += spec.path.read_bytes()[:2] == b"\x1f\x8b"
    assert formats == {"fit", "gpx", "tcx", "nmea", "csv"}
    assert gzipped
    assert {k[0] for k in kinds} == {"4x100", "4x400"}
    assert {k[1] for k in kinds} == {"straight", "bend"}
    assert {k[2] for k in kinds} == {True, False}


@pytest.mark.parametrize("name", list(generate.SESSIONS))
def test_recordings_hold_what_the_truth_says(name):
    session, truth = read_session(SAMPLES / name / "session.toml"), _truth(name)
    rows = {(r["file"], r["sensor"]): r for r in truth["recordings"]}
    for spec in session.recordings:
        got = read(spec.path, columns=spec.columns, clock=spec.clock)
        assert got.dropped_fixes == got.dropped_imu == 0
        if got.fixes is not None:
            row = rows.pop((spec.file, "gnss"))
            assert len(got.fixes.t_s) == row["fixes"]
            assert got.fixes.basis == "utc"
            assert truth["session"]["first_utc_s"] - 1 <= got.fixes.t_s[0]
            assert got.fixes.t_s[-1] <= truth["session"]["last_utc_s"]
            assert np.nanmax(got.fixes.speed_mps) < 14
        if got.imu is not None:
            row = rows.pop((spec.file, "imu"))
            assert got.imu.basis == ("counter" if row["counter"] else "utc")
            quiet = np.median(np.linalg.norm(got.imu.acc_mps2, axis=1))
            assert quiet == pytest.approx(devices.G, abs=0.5)
    assert not rows


@pytest.mark.parametrize("name", SHEETED)
def test_sheet_tells_of_the_takeovers_that_were(name):
    with open(SAMPLES / name / "reps.csv", newline="") as f:
        rows = list(csv.DictReader(f))
    told = [(r["incoming"], r["outgoing"]) for r in rows]
    assert told == [(x["incoming"], x["outgoing"]) for x in _truth(name)["exchanges"]]
    for row, x in zip(rows, _truth(name)["exchanges"], strict=True):
        if row["pass_m"]:
            assert float(row["pass_m"]) == pytest.approx(x["pass_m"], abs=1.6)
        if row.get("mark_m"):
            assert float(row["mark_m"]) == pytest.approx(x["mark_m"], abs=0.051)
        if row.get("mark_feet"):
            foot = {r["id"]: r["foot_m"] for r in _truth(name)["runners"]}[x["outgoing"]]
            assert float(row["mark_feet"]) * foot == pytest.approx(x["mark_m"], abs=0.002)


def test_observers_tell_of_the_takeovers_that_were():
    """The straight one has a film that helps to measure, and gates that are held out."""
    session = read_session(SAMPLES / "larch-straight" / "session.toml")
    told = {one["id"]: one for one in _truth("larch-straight")["observers"]}
    assert {one.id: (one.kind, one.use) for one in session.observers} == {
        "film-zone2": ("film", "measure"),
        "gates": ("gates", "check"),
    }
    for one in session.observers:
        rows = {row["line"]: row for row in told[one.id]["rows"]}
        zero = told[one.id].get("zero_utc_s", 0.0)
        assert {seen.line for seen in one.sightings} == set(rows)
        assert {row["exchange"] for row in rows.values()} == {1, 2, 3, 4, 5}
        for seen in one.sightings:
            true = rows[seen.line]
            assert (seen.rep, seen.event) == (true["rep"], true["event"])
            assert seen.time_s + zero == pytest.approx(true["true_utc_s"], abs=4.5 * seen.sd_s)
    assert {spot.id for spot in session.venue.gates} == {row["gate"] for row in rows.values()}


# --- geometry, against the published plan -------------------------------------------------


def test_lap_of_lane_one_and_staggers_are_the_published_ones():
    # Track and Field Facilities Manual 2.2.1: lap 400.001 m; staggers over a lap (the 4x100)
    assert plan.lap_m(1) == pytest.approx(400.001, abs=0.0005)
    published = {2: 7.038, 3: 14.704, 4: 22.370, 5: 30.034, 6: 37.700, 7: 45.366, 8: 53.032}
    for lane, stagger in published.items():  # table values, from memory of the Manual
        assert plan.lap_m(lane) - plan.lap_m(1) == pytest.approx(stagger, abs=0.003)


def test_zones_have_the_length_of_the_rules():
    # World Athletics Technical Rules, TR24.3 (number from memory): 30 m, and 20 m in the 4x400
    for lane in range(1, 9):
        for zone in (1, 2, 3):
            new, old = (plan.zone_lines_m("4x100", lane, zone, r) for r in ("today", "older"))
            assert new["exit"] - new["entry"] == pytest.approx(30)
            assert old["exit"] - old["entry"] == pytest.approx(20)
            assert (old["exit"], old["back"]) == pytest.approx((new["exit"], new["entry"]))
            long = plan.zone_lines_m("4x400", lane, zone)
            assert long["exit"] - long["entry"] == pytest.approx(20)


def test_the_lane_closes_and_is_measured_in_metres():
    for lane in (1, 4, 8):
        lap = plan.lap_m(lane)
        l_m = np.linspace(0, lap, 40001)
        xy, _, _ = plan.on_track(l_m, np.zeros_like(l_m), lane)
        assert np.allclose(xy[0], xy[-1], atol=1e-9)
        assert np.linalg.norm(np.diff(xy, axis=0), axis=1).sum() == pytest.approx(lap, abs=1e-3)


def test_a_metre_to_the_right_on_a_bend_is_a_longer_way():
    l_m = np.linspace(10, 60, 5001)
    xy, _, curve = plan.on_track(l_m, np.ones_like(l_m), 2)
    way = np.linalg.norm(np.diff(xy, axis=0), axis=1).sum()
    assert way == pytest.approx(50 * (1 + curve[0]), rel=1e-6)


def test_ground_agrees_with_a_reference_library():
    ground = plan.Ground(-37.2, 12.5, 250.0, 0.8)
    en = np.array([[0.0, 0.0], [120.0, -45.0], [-63.0, 88.0]])
    lat, lon, alt = ground.geodetic(en, np.array([0.0, 1.5, -2.0]))
    e, n, u = pymap3d.geodetic2enu(lat, lon, alt, -37.2, 12.5, 250.0)
    np.testing.assert_allclose(np.stack([e, n], 1), en, atol=1e-6)
    np.testing.assert_allclose(u, [0.0, 1.5, -2.0], atol=1e-6)


# --- physics and truth -------------------------------------------------------------------


def test_nobody_jumps_or_outruns_mankind(evening):
    for body in evening.bodies.values():
        assert body.ground_mps.max() < 12.5
        assert np.abs(np.diff(body.l_m)).max() < 12.5 * people.DT
        assert np.abs(np.diff(body.y_m)).max() < 5 * people.DT
        # thrust and braking within a step included
        assert np.abs(body.fwd_mps2).max() < 60


def test_smooth_speed_is_the_change_of_place(evening):
    for t, s, v in evening.curves.values():
        way = np.concatenate([[0], np.cumsum(0.5 * (v[1:] + v[:-1]) * np.diff(t))])
        assert np.abs(s - s[0] - way).max() < 0.03


def test_step_swing_and_wander_are_there_and_average_out(evening):
    x = next(x for x in evening.exchanges if x["outcome"] == "passed")
    b, e = evening.bodies[x["outgoing"]], evening.session["entry_l_m"]
    w = (evening.grid_s > x["pass_utc_s"]) & (b.l_m - e < evening.session["zone_m"] + 25)
    w &= evening.grid_s < x["exit_utc_s"] + 2
    swing = np.gradient(b.l_m, people.DT)[w] - b.v_smooth_mps[w]
    assert 0.04 < swing.std() < 0.35
    assert abs(swing.mean()) < 0.05
    assert np.abs(b.l_m - b.l_smooth_m)[w].max() < 0.08
    assert 0.01 < b.y_m[w].std() < 0.3
    assert -0.3 < b.y_m[w].min() < b.y_m[w].max() < plan.WIDTH_M


def test_the_pass_happens_within_reach_and_in_order(evening):
    for x in evening.exchanges:
        assert x["start_utc_s"] < x["entry_utc_s"]
        if x["outcome"] == "not passed":
            assert x["pass_utc_s"] is None
            assert x["zone_time_s"] is None
            continue
        assert x["go_utc_s"] < x["pass_utc_s"]
        assert 0.3 < x["free_distance_m"] <= x["reach_m"] + 0.1  # sway and swing aside
        assert x["zone_time_s"] == pytest.approx(x["exit_utc_s"] - x["entry_utc_s"])
        pace = evening.session["zone_m"] / x["zone_time_s"]
        assert 6.5 < pace < 11.5
        per_step = (x["pass_m"] + x["free_distance_m"] / 2 - x["out_start_m"]) / x["steps_to_pass"]
        assert 0.6 < per_step < 2.6


def test_curves_meet_the_events(evening):
    for x in evening.exchanges:
        for role, place, moment in (
            ("incoming", 0.0, x["entry_utc_s"]),
            ("outgoing", evening.session["zone_m"], x["exit_utc_s"]),
        ):
            if moment is None:
                continue
            t, s, _ = evening.curves[x["exchange"], role]
            if t[0] < moment < t[-1]:
                assert np.interp(moment, t, s) == pytest.approx(place, abs=0.1)


def test_nothing_moves_before_the_first_movement(evening):
    for x in evening.exchanges:
        b, go = evening.bodies[x["outgoing"]], x["go_utc_s"]
        before = (evening.grid_s > go - 1.0) & (evening.grid_s <= go)
        after = (evening.grid_s > go + 0.2) & (evening.grid_s < go + 0.4)
        assert np.abs(b.v_smooth_mps[before][:-1]).max() < 1e-6
        assert np.abs(b.fwd_mps2[before][:-2]).max() < 0.6  # sway
        assert b.fwd_mps2[after].min() > 2
        late = b.contact_t[b.contact_t > go]
        assert 0.15 < late[0] - go < 0.6


def test_receivers_err_as_they_are_said_to(evening):
    rows = {r["file"]: r for r in evening.recordings if r["sensor"] == "gnss"}
    ground = plan.Ground(**evening.session["ground"])
    session = read_session(evening.folder / "session.toml")
    for spec in session.recordings:
        got = read(spec.path, columns=spec.columns, clock=spec.clock)
        if got.fixes is None:
            continue
        body, row = evening.bodies[spec.runner], rows[spec.file]
        e, n, _ = pymap3d.geodetic2enu(
            got.fixes.latitude_deg, got.fixes.longitude_deg, ground.alt_m,
            ground.lat_deg, ground.lon_deg, ground.alt_m,
        )  # fmt: skip
        true = ground.east_north(body.plan_xy_m)
        miss = np.stack([e, n], 1) - np.stack(
            [np.interp(got.fixes.t_s, evening.grid_s, true[:, k]) for k in range(2)], 1
        )
        assert 0.3 < np.sqrt(np.mean(miss**2)) < 2.5
        quick = np.diff(miss, axis=0)
        assert np.median(np.abs(quick)) < 3 * row["white_m"] + 0.02
        v = np.interp(got.fixes.t_s, evening.grid_s, body.ground_mps)
        fast = v > 7
        ratio = np.median(got.fixes.speed_mps[fast] / v[fast])
        assert ratio == pytest.approx(1 + row["speed_scale"], abs=0.006)


@pytest.mark.parametrize("kind", ["first order", "average"])
@pytest.mark.parametrize("delay_s", [0.05, 0.2])
def test_a_lag_is_the_group_delay_it_is_called(kind, delay_s):
    t = np.arange(0, 20, people.DT)
    ramp = np.where(t > 5, t - 5, 0.0)
    late = devices.lagged(ramp, people.DT, delay_s, kind)
    assert ramp[-1] - late[-1] == pytest.approx(delay_s, abs=2 * people.DT)
    assert np.abs(late[t < 5]).max() < 1e-9  # it never looks ahead


def test_slow_noise_has_the_size_and_memory_asked_for():
    x = np.stack(
        [people.slow_noise(np.random.default_rng(k), 4000, 0.25, 30.0, 0.7) for k in range(60)]
    )
    assert x.std() == pytest.approx(0.7, rel=0.1)
    lag = int(30 / 0.25)
    kept = np.mean(x[:, :-lag] * x[:, lag:]) / np.mean(x * x)
    assert kept == pytest.approx(np.exp(-1), abs=0.12)


def test_counters_and_taps_are_where_the_truth_says(evening):
    session = read_session(evening.folder / "session.toml")
    rows = {r["file"]: r for r in evening.recordings if r["sensor"] == "imu"}
    seen = 0
    for spec in session.recordings:
        got = read(spec.path, columns=spec.columns, clock=spec.clock)
        if got.imu is None:
            continue
        row = rows[spec.file]
        t = got.imu.t_s
        if row["counter"]:
            assert spec.clock == "device"
            t = row["counter_zero_utc_s"] + t / (1 + row["drift_ppm"] * 1e-6)
        for k, tap in enumerate(evening.taps):
            near = np.abs(t - tap) < 0.06
            if k in row["missed_taps"] or not near.any():
                continue
            still = np.median(got.imu.acc_mps2[np.abs(t - tap) < 1], axis=0)
            size = np.linalg.norm(got.imu.acc_mps2[near] - still, axis=1)
            assert abs(t[near][np.argmax(size)] - tap) < 0.012
            assert size.max() > 4
            seen += 1
    assert seen >= 4


def test_acceleration_is_clipped_and_feels_the_steps(evening):
    session = read_session(evening.folder / "session.toml")
    for spec in session.recordings:
        got = read(spec.path, columns=spec.columns, clock=spec.clock)
        if got.imu is None:
            continue
        assert np.abs(got.imu.acc_mps2).max() <= 16.01 * devices.G
        assert np.linalg.norm(got.imu.acc_mps2, axis=1).max() > 3 * devices.G


def test_cones_make_zone_and_run_up_straight(tmp_path):
    t = simulate.make_session(tmp_path, 4, place="cones", n_reps=1, imu=False, distractors=())
    lane, entry = t.session["lane"], t.session["entry_l_m"]
    l_m = np.linspace(entry - 45, entry + t.session["zone_m"], 200)
    assert not plan.on_track(l_m, np.zeros_like(l_m), lane)[2].any()


def test_six_runners_at_any_rate_and_without_a_sheet(tmp_path):
    t = simulate.make_session(
        tmp_path, 8, n_runners=6, n_reps=6, rate_hz=(1.0, 5.0, 25.0), sheet=False, imu=False,
        event="4x400", noise="rough",
    )  # fmt: skip
    session = read_session(tmp_path / "session.toml")
    assert session.reps is None
    assert len(t.exchanges) == 6
    for spec, rate in zip(session.recordings, (1.0, 5.0, 25.0) * 2, strict=True):
        step = np.median(np.diff(read(spec.path).fixes.t_s))
        assert step == pytest.approx(1 / rate, abs=1e-3)


def test_older_rules_put_the_back_line_ten_metres_before_the_entry(tmp_path):
    t = simulate.make_session(tmp_path, 3, rules="older", n_reps=1, imu=False, distractors=())
    assert (t.session["back_s"], t.session["zone_m"]) == pytest.approx((-10, 20))
    read_session(tmp_path / "session.toml")


# --- what went wrong, measured ---------------------------------------------------------------


@pytest.fixture(scope="module")
def measured():
    """Every takeover measured in the five sessions, with its truth."""
    pairs = []
    for name in generate.SESSIONS:
        tables = make_session_tables(SAMPLES / name / "session.toml", None).tables
        for row in tables["exchanges"].to_pylist():
            entry = row["zero_utc"].timestamp()
            (true,) = (
                x
                for x in _truth(name)["exchanges"]
                if (x["incoming"], x["outgoing"]) == (row["incoming"], row["outgoing"])
                and abs(x["entry_utc_s"] - entry) < 2.0
            )
            pairs.append((row, true))
    return pairs


def test_outcomes_of_the_samples_are_the_true_ones(measured):
    assert [row["outcome"] for row, _ in measured] == [true["outcome"] for _, true in measured]
    assert [true["outcome"] for _, true in measured].count("not passed") == 2


def test_faults_of_the_samples_are_true_ones(measured):
    """Few went wrong here and the mild ones are missed; none that did not happen is named."""
    counts = fault_table.count_faults((row["faults"], true["faults"]) for row, true in measured)
    assert {kind: count.false for kind, count in counts.items() if count.false} == {}
    # the other one in a session without a sheet, where nobody knows the mark
    assert (counts["late start"].right, counts["late start"].missed) == (1, 1)
    assert (counts["ran away"].right, counts["ran away"].missed) == (2, 0)
    assert counts["outgoing eased"].right >= 2
    assert counts["outgoing eased"].missed <= 5
    assert counts["ran into"].missed <= 2
    assert counts["incoming slowed"].missed <= 5

"""The generator's worlds and mishaps: what is drawn, what is planted, and that it is as said."""

import dataclasses

import mishaps
import numpy as np
import people
import practice
import pytest
import simulate
import worlds

from pipeline.read import read
from pipeline.read.practice.session import read_session

BRIEF = {
    "n_reps": 4,
    "n_runners": 4,
    "imu": False,
    "spacing_s": 15.0,
    "distractors": False,
    "fault_share": 0.0,
    "curves": False,
}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A function that makes a session of a world anew, always the same."""

    def make(name: str, seed: int = 3, **options):
        folder = tmp_path_factory.mktemp(name.replace(" ", "-"))
        return simulate.make_session(folder, seed, world=worlds.draw_world(seed), **BRIEF | options)

    return make


def takeovers(world, n=12):
    """Takeovers of a world's squad, without files: plans and runs."""
    rng = np.random.default_rng(5)
    site = practice.choose_site(rng, rng, "4x100", "straight", None, "today")
    squad = practice.draw_squad(rng, 4, None, world)
    out = []
    for _ in range(n):
        a, b = rng.choice(4, 2, replace=False)
        pi, po = squad.people[a], squad.people[b]
        setup = practice.of_world(rng, site, practice.draw_setup(rng, site), world)
        reach = squad.reach_m[pi.id, po.id]
        plan, _ = practice.plan_takeover(rng, site, pi, po, reach, setup, None, 0.05, world)
        out.append((plan, people.take_over(pi, po, plan)))
    return out


def test_a_world_is_drawn_again_by_its_seed_and_no_two_are_alike():
    drawn = [worlds.draw_world(seed) for seed in range(40)]
    assert drawn == [worlds.draw_world(seed) for seed in range(40)]
    assert len(set(drawn)) == 40


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("squad_mps", 7.5, 12.0),
        ("let_go_s", -0.4, 0.6),
        ("reach_m", 0.8, 1.5),
        ("reach_rep_m", 0.08, 0.2),
        ("lag_s", -0.4, 0.25),
        ("matches", 0.0, 1.0),
    ],
)
def test_worlds_fill_their_ranges(name, low, high):
    values = np.array([getattr(worlds.draw_world(seed), name) for seed in range(200)])
    assert low <= values.min() < low + 0.1 * (high - low)
    assert high - 0.1 * (high - low) < values.max() <= high


def test_marks_lie_where_the_trade_puts_them():
    feet, lags = [], []
    for seed in range(1, 25):
        world = worlds.draw_world(seed)
        rng = np.random.default_rng(seed)
        site = practice.choose_site(rng, rng, "4x100", "straight", None, "today")
        squad = practice.draw_squad(rng, 2, None, world)
        for pi, po in (squad.people, squad.people[::-1]):
            setup = practice.of_world(rng, site, practice.draw_setup(rng, site), world)
            reach = squad.reach_m[pi.id, po.id]
            _, mark = practice.plan_takeover(rng, site, pi, po, reach, setup, None, 0.05, world)
            feet.append(mark / po.foot_m)
            lags.append(world.lag_s)
    # whoever goes a fifth of a second before the mark needs what the trade says
    usual = np.array(feet)[(np.array(lags) > -0.35) & (np.array(lags) < -0.05)]
    assert 20 < np.median(usual) < 33
    assert max(feet) < 46


def test_receivers_go_before_or_after_the_mark_as_their_world_says():
    for lag_s in (-0.4, -0.2, 0.0, 0.25):
        world = dataclasses.replace(
            worlds.World(), lag_s=lag_s, lag_runner_s=0.0, lag_rep_s=(0.0, 0.0)
        )
        found = []
        for plan, run in takeovers(world, 6):
            t = np.arange(len(run.s_in)) * people.DT
            found.append(run.go_t - np.interp(plan.mark_s, run.s_in, t))
        assert np.mean(found) == pytest.approx(lag_s, abs=0.04)


def test_the_force_rises_and_the_hand_comes_and_the_legs_ease_over_wide_ranges():
    drawn = [worlds.draw_world(seed) for seed in range(200)]
    for name, low, high in (
        ("build_s", 0.05, 0.25),
        ("hand_s", 0.15, 0.9),
        ("ease_mps2", 1.0, 5.5),
    ):
        values = np.array([getattr(world, name) for world in drawn])
        assert low <= values.min() < low + 0.1 * (high - low)
        assert high - 0.15 * (high - low) < values.max() <= high
    apart = np.array([world.side_out_m - world.side_in_m for world in drawn])
    assert (apart > 0.05).any()  # outside of the incoming runner
    assert (apart < -0.05).any()  # inside
    assert {world.side_by_zone for world in drawn} == {True, False}


def test_most_takeovers_of_most_worlds_end_in_a_pass():
    shares = []
    for seed in range(1, 13):
        runs = [run for _, run in takeovers(worlds.draw_world(seed), 8)]
        shares.append(np.mean([run.pass_t is not None for run in runs]))
    assert np.mean(shares) > 0.85
    assert min(shares) > 0.4


def test_who_lets_go_early_slows_before_the_pass_and_who_lets_go_late_does_not():
    usual = dataclasses.replace(
        worlds.World(), let_go_runner_s=0.0, let_go_rep_s=0.0, ease_mps2=(3.0, 3.0)
    )
    slowed = {
        let_go: np.mean(
            [r.slowed for _, r in takeovers(dataclasses.replace(usual, let_go_s=let_go))]
        )
        for let_go in (-0.4, 0.5)
    }
    assert slowed[-0.4] > 0.8
    assert slowed[0.5] < 0.3


def test_the_legs_are_let_go_as_long_before_the_pass_as_is_said():
    world = dataclasses.replace(
        worlds.World(), let_go_s=-0.4, let_go_runner_s=0.0, let_go_rep_s=0.0, lag_s=-0.2
    )
    before = []
    for seed in range(1, 7):
        rng = np.random.default_rng(seed)
        site = practice.choose_site(rng, rng, "4x100", "straight", None, "today")
        squad = practice.draw_squad(rng, 2, None, world)
        pi, po = squad.people
        setup = practice.of_world(rng, site, practice.draw_setup(rng, site), world)
        reach = squad.reach_m[pi.id, po.id]
        plan, _ = practice.plan_takeover(rng, site, pi, po, reach, setup, None, 0.05, world)
        run = people.take_over(pi, po, plan)
        through = people.take_over(pi, po, dataclasses.replace(plan, let_go_before_s=0.0))
        n = min(len(run.s_in), len(through.s_in))
        first = np.argmax(np.abs(run.s_in[:n] - through.s_in[:n]) > 1e-4) * people.DT
        if run.pass_t is not None:
            before.append(run.pass_t - first)
    assert len(before) > 3
    assert np.median(before) == pytest.approx(0.4, abs=0.08)
    assert max(before) < 0.7


def test_who_matches_is_hardly_faster_than_the_receiver_at_the_pass():
    def closing(matches):
        world = dataclasses.replace(
            worlds.World(), matches=matches, let_go_s=0.3, target_m=(6.0, 8.0)
        )
        out = []
        for _, run in takeovers(world):
            if run.pass_t is not None:
                k = int(run.pass_t / people.DT)
                v_in, v_out = (np.gradient(s, people.DT)[k] for s in (run.s_in, run.s_out))
                out.append(v_in - v_out)
        return float(np.median(out))

    assert closing(1.0) < closing(0.0) - 0.3


def test_sides_are_swapped_in_the_second_zone_where_a_world_says_so():
    world = worlds.World(side_in_m=0.1, side_out_m=0.3, side_by_zone=True)
    assert world.sides_m(1) == (0.1, 0.3)
    assert world.sides_m(2) == (0.3, 0.1)
    assert dataclasses.replace(world, side_by_zone=False).sides_m(2) == (0.1, 0.3)


def files_of(truth) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in truth.folder.iterdir() if p.suffix != ".json"}


@pytest.mark.parametrize("kind", list(mishaps.KINDS))
def test_what_is_planted_changes_the_files_and_nothing_else(made, kind):
    truth = made(kind)
    before = files_of(truth)
    planted = mishaps.plant(truth, kind, 1)
    after = files_of(truth)
    changed = {name for name in before if after.get(name) != before[name]}
    assert changed
    assert planted.reps
    assert set(planted.reps) <= {x["rep"] for x in truth.exchanges}
    tracks = {row["file"] for row in truth.recordings}
    assert changed <= tracks or changed <= {"reps.csv", "session.toml"}
    if kind != "recording gone":
        read_session(truth.folder / "session.toml")


def test_a_clock_is_moved_by_as_much_as_is_said(made):
    truth = made("clock")
    before = {row["file"]: read(truth.folder / row["file"]) for row in truth.recordings}
    planted = mishaps.plant(truth, "clock 0.3 s", 4)
    for row in truth.recordings:
        moved = read(truth.folder / row["file"]).fixes.t_s - before[row["file"]].fixes.t_s
        by_s = planted.size if row["runner"] == planted.runner else 0.0
        assert moved == pytest.approx(by_s, abs=2e-3)
    assert abs(planted.size) == 0.3


def test_restless_feet_move_before_the_start_only_and_come_back(made):
    still, restless = made("still"), made("restless", restless=1.0)
    assert len(restless.exchanges) == len(still.exchanges)
    for x in restless.exchanges:
        body = restless.bodies[x["outgoing"]]
        k = int(np.searchsorted(restless.grid_s, x["go_utc_s"]))
        before = body.l_smooth_m[k - int(6 / people.DT) : k]
        assert before.max() - before[-1] > 0.05  # moved forward
        assert before[-1] == pytest.approx(before[0], abs=1e-6)  # and stood on the tape again


def test_a_false_start_goes_a_stride_and_comes_back_and_nothing_else_changes(made):
    still, false = made("no false start"), made("false start", false_starts=1.0)
    far = []
    for x, same in zip(false.exchanges, still.exchanges, strict=True):
        assert x["go_utc_s"] == same["go_utc_s"]
        assert x["pass_m"] == pytest.approx(same["pass_m"], abs=0.01)
        body = false.bodies[x["outgoing"]]
        k = int(np.searchsorted(false.grid_s, x["go_utc_s"]))
        before = body.l_smooth_m[k - int(8 / people.DT) : k]
        assert before[-1] == pytest.approx(before[-int(0.4 / people.DT)], abs=1e-6)
        far.append(before.max() - before[-1])
    assert max(far) < 2.0
    assert np.median(far) > 0.9  # where there was time


def test_stamps_are_cut_to_the_second_of_one_unit_only(made):
    truth = made("seconds")
    planted = mishaps.plant(truth, "stamps cut to seconds", 2)
    for row in truth.recordings:
        lines = (truth.folder / row["file"]).read_text().splitlines()[1:]
        stamps = [line.split(",")[0] for line in lines]
        cut = row["runner"] == planted.runner
        assert all(s.endswith(".000Z") for s in stamps) == cut
        assert (len(set(stamps)) < 0.2 * len(stamps)) == cut


def test_two_clocks_are_two_runners_units(made):
    planted = mishaps.plant(made("two clocks"), "two clocks off", 2)
    assert planted.other not in (None, planted.runner)


def test_plain_gpx_has_no_speed(made):
    truth = made("plain", formats=("gpx-plain",))
    fixes = read(truth.folder / truth.recordings[0]["file"]).fixes
    assert np.isnan(fixes.speed_mps).all()
    assert np.isfinite(fixes.latitude_deg).all()


def test_two_squads_on_one_ground_are_joined_to_one_session(made, tmp_path):
    ground = {"squad_seed": 3, "start_utc_s": 1_778_606_400.0, "place": "straight"}
    one = made("one", 71, lane=4, names=("robin", "wren", "finch", "jay"), **ground)
    other = made("other", 74, lane=5, names=("lark", "teal", "adder", "lynx"), **ground)
    session = read_session(mishaps.join(one, other, tmp_path))
    assert len(session.runners) == 8
    assert session.reps is not None
    assert {rep.rep for rep in session.reps} == {1, 2, 3, 4, 101, 102, 103, 104}
    assert {rep.lane for rep in session.reps} == {4, 5}

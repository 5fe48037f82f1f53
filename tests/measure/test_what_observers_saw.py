"""What observers saw: their clocks tied, their rows used, misread ones listed, checks held out."""

import functools

import numpy as np
import observers
import pytest
import watched_evening
from observers import Film, Gates, Watch
from watched_evening import rows_of_file

from pipeline.base.values import Observer, Sighting
from pipeline.measure import estimator
from pipeline.measure.observers import clock_law, offsets, rows
from pipeline.measure.observers import watched as watched_all
from pipeline.measure.observers.told import ToldMoment

EVERY_REP = (0.0, 1.0)
ALL = Film("film", view="all", part=EVERY_REP)
HALF = Film("film", view="all", part=(0.0, 0.5))


@pytest.fixture
def watch(tmp_path):
    """A function that measures the evening as these people see it, after `spoil` of their folder;
    the squad and the truth."""

    def look(*eyes, spoil=None, **options):
        truth = watched_evening.write(tmp_path, *eyes, **options)
        if spoil is not None:
            spoil(truth)
        return watched_evening.measure(tmp_path), truth

    return look


@functools.cache
def unwatched():
    return watched_evening.measure(None).takeovers


def seen_rows(squad, *events):
    found = [row for one in squad.takeovers for row in one.observations]
    return [row for row in found if not events or row["event"] in events]


def pass_errors(squad, truth):
    """By takeover that was passed: error of the pass, its standard error, and the row."""
    out = {}
    for number, (one, x) in enumerate(zip(squad.takeovers, truth.exchanges, strict=True), 1):
        if x["pass_utc_s"] is not None and one.passed is not None:
            found = one.zero_utc_s + one.passed.value
            out[number] = (found - x["pass_utc_s"], one.passed.sd, one)
    return out


def true_rows(truth, observer="film"):
    (one,) = (one for one in truth.observers if one["id"] == observer)
    return {row["line"]: row for row in one["rows"]}


# --- a film ---------------------------------------------------------------------------------


def test_filmed_passes_are_known_to_the_frame_and_teach_the_others(watch):
    squad, truth = watch(HALF)
    alone = dict(enumerate(unwatched(), 1))
    filmed = set(truth.observers[0]["watched"])
    for number, (error, sd, one) in pass_errors(squad, truth).items():
        assert abs(error) < 4 * sd
        if number in filmed:
            assert one.pass_basis == "seen"
            assert sd < 0.05
        else:
            assert one.pass_basis == "inferred"
            assert sd < 1.2 * alone[number].passed.sd
    others = [e for n, (e, _, _) in pass_errors(squad, truth).items() if n not in filmed]
    assert np.sqrt(np.mean(np.square(others))) < 0.2


def test_a_films_clock_is_found_wherever_it_began(watch):
    squad, truth = watch(ALL)
    lines = true_rows(truth)
    off = []
    for one in squad.takeovers:
        for row in one.observations:
            true = lines[row["line"]]["true_utc_s"] - one.zero_utc_s
            off.append((row["observed_t_s"] - true) / row["observed_t_sd_s"])
    assert len(off) == len(lines)
    assert np.sqrt(np.mean(np.square(off))) < 1.5
    assert any("tied to ±" in words for words in squad.remarks)


def test_the_zero_of_a_films_clock_is_nobodys_business(watch, tmp_path):
    one, _ = watch(HALF)

    def later(_truth):
        with rows_of_file(tmp_path / "film.csv") as lines:
            for line in lines:
                line["time_s"] = f"{float(line['time_s']) + 1234.5:.3f}"

    other, _ = watch(HALF, spoil=later)
    for a, b in zip(one.takeovers, other.takeovers, strict=True):
        assert a.zero_utc_s == pytest.approx(b.zero_utc_s, abs=1e-5)
        for name in ("passed", "zone_time", "free_distance", "v_in_pass"):
            assert_same(getattr(a, name), getattr(b, name))


def assert_same(a, b):
    assert (a is None) == (b is None)
    if a is not None:
        assert (a.value, a.sd) == pytest.approx((b.value, b.sd), abs=2e-5)


def test_what_was_seen_of_lines_makes_the_zone_time_surer(watch):
    squad, truth = watch(ALL)
    for one, alone, x in zip(squad.takeovers, unwatched(), truth.exchanges, strict=True):
        if one.zone_time is not None and x["exit_utc_s"] is not None:
            assert one.zone_time.sd < alone.zone_time.sd
            error = one.zone_time.value - x["baton_zone_time_s"]
            assert abs(error) < 4 * one.zone_time.sd
            assert abs(one.zero_utc_s - x["entry_utc_s"]) < 0.05


def test_the_moment_the_hand_goes_back_is_in_the_row_of_the_takeover(watch):
    squad, truth = watch(ALL)
    found = 0
    for one, x in zip(squad.takeovers, truth.exchanges, strict=True):
        if one.hand_back is not None:
            error = one.zero_utc_s + one.hand_back.value - x["hand_back_utc_s"]
            assert abs(error) < 4 * one.hand_back.sd
            assert one.steps_to_hand_back is None  # no accelerometer
            found += 1
    assert found > 5
    assert_hands_are_used_where_given(squad)


def assert_hands_are_used_where_given(squad):
    for one in squad.takeovers:
        used = [row["used"] for row in one.observations if row["event"] == "hand back"]
        assert any(used) == (one.hand_back is not None)


def test_a_film_of_passes_alone_is_tied_weakly_and_says_so(watch):
    squad, truth = watch(Film("film", view="passes", part=EVERY_REP))
    assert any("by the passes as the traces have them" in words for words in squad.remarks)
    for error, sd, _ in pass_errors(squad, truth).values():
        assert sd > 0.06
        assert abs(error) < 4 * sd


def test_clips_that_begin_anew_are_tied_rep_by_rep(watch):
    squad, truth = watch(Film("film", view="all", part=EVERY_REP, clock="rep"))
    for error, sd, one in pass_errors(squad, truth).values():
        assert abs(error) < 4 * sd
        assert sd < 0.08
        assert one.pass_basis == "seen"


def test_a_stopwatch_helps_as_much_as_its_error_lets_it(watch):
    squad, truth = watch(Watch("watch", part=EVERY_REP))
    for error, sd, _ in pass_errors(squad, truth).values():
        assert abs(error) < 4 * sd
    for one, alone in zip(squad.takeovers, unwatched(), strict=True):
        if one.zone_time is not None:  # a reading of 0.15 s tells nothing of 0.02 s
            assert one.zone_time.sd == pytest.approx(alone.zone_time.sd, rel=0.25)
            assert one.zone_time.value == pytest.approx(alone.zone_time.value, abs=0.02)


def test_who_sees_passes_and_saw_none_makes_one_doubtful(watch, tmp_path):
    def without_pass(_truth):
        with rows_of_file(tmp_path / "film.csv") as lines:
            lines[:] = [line for line in lines if (line["rep"], line["event"]) != ("3", "pass")]

    squad, _ = watch(ALL, spoil=without_pass)
    (one,) = (one for one in squad.takeovers if one.case.rep.rep == 3)
    assert one.outcome != "passed"
    assert_hands_are_used_where_given(squad)
    assert any("and no pass" in words for words in one.remarks)


# --- slips ------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", list(observers.SLIPS))
@pytest.mark.parametrize("chance", [2, 5])
def test_no_slip_bends_a_figure_without_a_word(watch, kind, chance):
    wrong = []

    def spoil(truth):
        wrong.extend(observers.plant_slip(truth, "film", kind, chance))

    squad, truth = watch(ALL, spoil=spoil)
    for number, (error, sd, one) in pass_errors(squad, truth).items():
        told = any("film" in words for words in one.remarks)
        assert abs(error) < 4.5 * sd or told, (number, error, sd)
    for one, x in zip(squad.takeovers, truth.exchanges, strict=True):
        assert abs(one.zero_utc_s - x["entry_utc_s"]) < 0.06
        if one.zone_time is not None and x["baton_zone_time_s"] is not None:
            assert abs(one.zone_time.value - x["baton_zone_time_s"]) < 5 * one.zone_time.sd
    assert wrong


def test_one_misread_frame_is_listed_and_left_out(watch, tmp_path):
    def misread(_truth):
        with rows_of_file(tmp_path / "film.csv") as lines:
            (line,) = (x for x in lines if (x["rep"], x["event"]) == ("4", "exit"))
            line["time_s"] = f"{float(line['time_s']) + 0.4:.3f}"

    good, _ = watch(ALL)
    squad, _ = watch(ALL, spoil=misread)
    (row,) = (row for row in seen_rows(squad, "exit") if not row["used"])
    assert row["difference_s"] == pytest.approx(0.4, abs=0.1)
    assert row["z"] > 4
    assert any("misread" in words for words in row["remarks"])
    for a, b in zip(good.takeovers, squad.takeovers, strict=True):
        if a.case.rep.rep != 4:
            assert_close(a.zone_time, b.zone_time, 0.004)


def assert_close(a, b, abs_):
    if a is not None and b is not None:
        assert a.value == pytest.approx(b.value, abs=abs_)


def test_the_wrong_number_of_a_rep_is_noticed_and_the_rows_used_where_they_fit(watch, tmp_path):
    def renumber(_truth):
        with rows_of_file(tmp_path / "film.csv") as lines:
            for line in lines:
                if line["rep"] == "6":
                    line["rep"] = "9"

    squad, _ = watch(Film("film", view="all", part=EVERY_REP), spoil=renumber)
    (one,) = (one for one in squad.takeovers if one.case.rep.rep == 6)
    assert one.pass_basis == "seen"
    assert any("labelled rep 9" in w for row in one.observations for w in row["remarks"])


def test_a_film_of_another_session_is_not_used(watch, tmp_path):
    def other_film(_truth):
        rng = np.random.default_rng(3)
        with rows_of_file(tmp_path / "film.csv") as lines:
            at = {n: float(rng.uniform(0, 400)) for n in {line["rep"] for line in lines}}
            for line in lines:
                line["time_s"] = f"{at[line['rep']] + float(rng.uniform(0, 4)):.2f}"

    squad, _ = watch(ALL, spoil=other_film)
    assert any("film of another session" in words for words in squad.remarks)
    assert not any(row["used"] for row in seen_rows(squad))
    assert len(squad.left_over) > 30
    for one, alone in zip(squad.takeovers, unwatched(), strict=True):
        assert one.pass_basis == "inferred"
        assert_same(one.passed, alone.passed)
        assert_same(one.zone_time, alone.zone_time)


def test_a_film_in_slow_motion_is_told(watch, tmp_path):
    def stretch(_truth):
        with rows_of_file(tmp_path / "film.csv") as lines:
            for line in lines:
                line["time_s"] = f"{4 * float(line['time_s']):.3f}"

    squad, _ = watch(ALL, spoil=stretch)
    assert any("divided by 4: a film in slow motion?" in words for words in squad.remarks)
    assert not any(row["used"] for row in seen_rows(squad))


def test_near_utc_far_off_is_said(watch, tmp_path):
    def near(_truth):
        text = (tmp_path / "session.toml").read_text(encoding="utf-8")
        stamp = next(line for line in text.splitlines() if line.startswith("near_utc"))
        minute = int(stamp.split(":")[1])
        wrong = stamp.replace(f":{minute:02d}:", f":{(minute + 25) % 60:02d}:")
        (tmp_path / "session.toml").write_text(text.replace(stamp, wrong), encoding="utf-8")

    squad, truth = watch(ALL, spoil=near)
    assert any("is that time right?" in words for words in squad.remarks)
    assert all(abs(e) < 4 * sd for e, sd, _ in pass_errors(squad, truth).values())


def test_a_file_of_thousands_of_rows_costs_itself_alone(watch, tmp_path):
    def swell(_truth):
        with rows_of_file(tmp_path / "film.csv") as lines:
            lines *= 60

    squad, _ = watch(ALL, spoil=swell)
    assert any("rows are more than" in words for words in squad.remarks)
    for one, alone in zip(squad.takeovers, unwatched(), strict=True):
        assert_same(one.passed, alone.passed)


def test_rows_stand_as_in_their_file(watch):
    squad, _ = watch(ALL, Gates("gates", use="check"))
    for one in squad.takeovers:
        order = [(row["observer"] == "gates", row["line"]) for row in one.observations]
        assert order == sorted(order)


def test_clips_of_passes_alone_cannot_be_tied_and_say_so(watch):
    squad, _ = watch(Film("film", view="passes", part=EVERY_REP, clock="rep"))
    for one, alone in zip(squad.takeovers, unwatched(), strict=True):
        assert_same(one.passed, alone.passed)
        assert one.remarks == alone.remarks
    for row in seen_rows(squad):
        assert not row["used"]
        assert any("nothing else of this takeover ties" in words for words in row["remarks"])


def test_a_time_beyond_all_measure_costs_its_row_alone(watch, tmp_path):
    def wild(_truth):
        with rows_of_file(tmp_path / "film.csv") as lines:
            lines[0]["time_s"] = "70000.5"

    squad, truth = watch(ALL, spoil=wild)
    assert sum(not row["used"] for row in [*seen_rows(squad), *squad.left_over]) == 1
    assert all(abs(e) < 4 * sd for e, sd, _ in pass_errors(squad, truth).values())


# --- gates and checks ---------------------------------------------------------------------------


def test_what_is_held_out_touches_nothing(watch):
    squad, _ = watch(Gates("gates", use="check"), Film("film", view="all", use="check"))
    for one, alone in zip(squad.takeovers, unwatched(), strict=True):
        for name in ("zero_utc_s", "outcome", "passed", "zone_time", "go", "faults", "remarks",
                     "pass_basis", "free_distance", "hand_back", "fit_z"):  # fmt: skip
            assert getattr(one, name) == getattr(alone, name), name
        for a, b in zip(one.curves, alone.curves, strict=True):
            np.testing.assert_array_equal(a.s_m, b.s_m)
    rows = seen_rows(squad)
    assert not any(row["used"] for row in rows)
    z = np.array([row["z"] for row in rows if row["z"] is not None])
    assert len(z) > 50
    assert 0.3 < np.sqrt(np.mean(z**2)) < 1.6


def test_passes_alone_are_not_compared_with_what_ties_them(watch):
    squad, _ = watch(Film("film", view="passes", use="check"))
    assert all(row["z"] is None and row["estimated_t_s"] is None for row in seen_rows(squad))


def test_gates_are_compared_with_a_bodys_lead_taken_in(watch):
    squad, truth = watch(Gates("gates", use="check"))
    lines = true_rows(truth, "gates")
    for row in seen_rows(squad):
        lead_s = lines[row["line"]]["lead_m"] / row["speed_mps"]
        apart = row["difference_s"] + lead_s - clock_law.BEAM_LEAD_M.value / row["speed_mps"]
        assert abs(apart) < 4 * np.hypot(row["observed_t_sd_s"], row["estimated_t_sd_s"])


def test_gates_that_measure_time_the_zone_better(watch):
    squad, truth = watch(Gates("gates", use="measure"))
    errors = []
    for one, alone, x in zip(squad.takeovers, unwatched(), truth.exchanges, strict=True):
        if one.zone_time is not None and x["baton_zone_time_s"] is not None:
            assert one.zone_time.sd < alone.zone_time.sd
            errors.append((one.zone_time.value - x["baton_zone_time_s"]) / one.zone_time.sd)
    assert np.abs(errors).max() < 4


def test_a_system_of_gates_whose_utc_is_off_is_told_and_set_right(watch):
    squad, _ = watch(Gates("gates", use="measure", offset_s=0.4))
    (words,) = (w for w in squad.remarks if w.startswith("gates: its UTC is"))
    assert "ahead" in words
    right, _ = watch(Gates("gates", use="measure"))
    for one, other in zip(squad.takeovers, right.takeovers, strict=True):
        assert_close(one.zone_time, other.zone_time, 0.005)
        assert one.zero_utc_s == pytest.approx(other.zero_utc_s, abs=0.02)


def test_where_nothing_was_measured_nothing_is_tied():
    row = Sighting(2, "entry", rep=1, time_s=3.0, sd_s=0.02)
    for one in (film(row), film(row, use="check"), film(row, clock="utc"), film(row, clock="rep")):
        watched = watched_all.watch((one,), [], {}, {})
        assert not any(tie.rows for tie in watched.ties)
        rows_, _ = watched_all.check_rows((one,), [], {}, {}, [])
        left = watched_all.left_over_rows(watched.ties) + rows_
        assert [k for k, _ in left] == [None]


# --- the parts -----------------------------------------------------------------------------------


def film(*sightings, **other):
    known = {"clock": "own", **other}
    return Observer("film", "film", "film.csv", "film.csv", sightings=sightings, **known)


def told_of(moments, sd=0.02):
    """What the fits say of the entry and the exit of takeovers, in UTC."""
    return {
        key: ToldMoment(utc, np.zeros(2), 9.0, "incoming", 0.0, sd) for key, utc in moments.items()
    }


def test_an_offset_is_found_among_misread_rows():
    rng = np.random.default_rng(4)
    at = np.cumsum(rng.uniform(30, 60, 12)) + 1.7e9
    sightings, told = [], {}
    for k, moment in enumerate(at):
        for event, after in (("entry", 0.0), ("exit", 3.2 + float(rng.uniform(-0.1, 0.1)))):
            wrong = float(rng.uniform(-20, 20)) if rng.random() < 0.25 else 0.0
            told[len(sightings), k] = moment + after
            sightings.append(
                Sighting(2, event, rep=k, time_s=moment + after - 1.7e9 + 77.0 + wrong, sd_s=0.02)
            )
    groups = [rows.RowGroup((2 * k, 2 * k + 1), (k,), f"rep {k}") for k in range(12)]
    found = offsets.search_offset(film(*sightings), groups, told_of(told))
    assert found.offset_s == pytest.approx(1.7e9 - 77.0, abs=0.02)
    assert found.explained >= 14


def test_without_labels_the_intervals_between_takeovers_tell():
    at = 1.7e9 + np.cumsum([0.0, 41.0, 33.5, 57.2, 38.9, 46.1])
    sightings = [Sighting(2, "entry", time_s=t - 1.7e9 + 5.0, sd_s=0.02) for t in at[1:5]]
    told = {(i, k): t for i in range(4) for k, t in enumerate(at)}
    groups = [rows.RowGroup((i,), tuple(range(6)), f"line {i}") for i in range(4)]
    found = offsets.search_offset(film(*sightings), groups, told_of(told))
    assert found.offset_s == pytest.approx(1.7e9 - 5.0, abs=0.02)
    assert found.takeovers == (1, 2, 3, 4)


def test_the_chance_of_a_misread_row_grows_with_its_distance():
    off = np.array([0.0, 0.02, 0.05, 0.1, 0.2, 0.5])
    p = clock_law.chance_misread(off, np.full(6, 0.025))
    assert (np.diff(p) > 0).all()
    assert p[0] < 0.01
    assert p[1] < 0.02
    assert p[-1] > 0.99


def test_conditioning_is_what_solving_with_the_row_gives():
    _, _, solved, _ = watched_evening.solved_evening()
    fit = solved.fits[0]

    def predict(one):
        moment, row = estimator.crossing(one, "incoming", 0.0)
        return np.array([moment]), row[None, :]

    (before,), rows_ = predict(fit)
    sd = float(estimator.deviation(fit, rows_)[0])
    same = estimator.condition(fit, predict, np.array([before]), np.array([[1e6]]))
    np.testing.assert_allclose(same.x, fit.x, atol=1e-9)
    one = estimator.condition(fit, predict, np.array([before + sd]), np.array([[sd**2]]))
    (after,), rows_ = predict(one)
    assert after == pytest.approx(before + sd / 2, abs=0.02 * sd)
    assert float(estimator.deviation(one, rows_)[0]) == pytest.approx(sd / np.sqrt(2), rel=0.02)
    half = np.array([[2 * sd**2]])
    twice = estimator.condition(fit, predict, np.array([before + sd]), half)
    twice = estimator.condition(twice, predict, np.array([before + sd]), half)
    np.testing.assert_allclose(twice.x, one.x, atol=1e-3)

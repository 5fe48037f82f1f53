"""The generator's films, gates and stopwatches: what they write is what was there, as wrong as is
said and no more."""

import csv
import functools
import pickle
import shutil
import tempfile
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import observers
import people
import pytest
import simulate
from observers import Film, Gates, Watch
from shared_work import once

BRIEF = {
    "n_reps": 8,
    "n_runners": 4,
    "imu": False,
    "spacing_s": 15.0,
    "distractors": False,
    "curves": False,
}


@functools.cache
def evening(seed):
    """An evening nobody looked at; its folder is not to be written to."""

    def fill(place):
        truth = simulate.make_session(place / "evening", seed, **BRIEF)
        (place / "truth").write_bytes(pickle.dumps(truth))

    return pickle.loads((once(f"evening to look at {seed}", fill) / "truth").read_bytes())


@pytest.fixture
def look(tmp_path):
    """A function that lets somebody look at such an evening."""

    def from_beside(*eyes, seed=3, chance=1, **session):
        alone, folder = evening(seed), Path(tempfile.mkdtemp(dir=tmp_path))
        shutil.copy(alone.folder / "session.toml", folder)
        truth = replace(
            alone,
            folder=folder,
            session=alone.session | session,
            exchanges=[dict(x) for x in alone.exchanges],
            observers=[],
        )
        observers.write_observations(truth, chance, eyes)
        return truth

    return from_beside


def lines_of(truth, observer):
    with (truth.folder / f"{observer}.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def with_truth(truth, observer):
    """What is said of an observer, and each line of its file beside what was there."""
    (told,) = (x for x in truth.observers if x["id"] == observer)
    lines = lines_of(truth, observer)
    assert [row["line"] for row in told["rows"]] == list(range(2, 2 + len(lines)))
    return told, list(zip(lines, told["rows"], strict=True))


def errors_s(truth, observer):
    """By how much each time of a film is wrong, on its true clock."""
    told, rows = with_truth(truth, observer)
    rate = 1 + told["rate_ppm"] * 1e-6
    return [
        float(line["time_s"]) - (row["true_utc_s"] - told["zero_utc_s"]) * rate
        for line, row in rows
    ]


def test_nobody_who_looks_on_changes_the_evening(tmp_path):
    alone = evening(3)
    seen = simulate.make_session(tmp_path, 3, **BRIEF, observers=(Film(), Gates(), Watch()))
    for path in alone.folder.iterdir():
        before, after = path.read_bytes(), (seen.folder / path.name).read_bytes()
        if path.name == "session.toml":
            assert after.startswith(before)
            assert after.count(b"[[observer]]") == 3
        elif path.name == "venue.geojson":  # the gates stand there too
            assert after.startswith(before[: before.rindex(b"]}")])
            assert after.count(b'"kind": "gate"') == 3
        elif path.name != "truth.json":
            assert after == before, path.name
    for one, other in zip(alone.exchanges, seen.exchanges, strict=True):
        assert one | {"seen_by": other["seen_by"]} == other
        assert other["seen_by"][-1] == "watch"


def test_the_hand_goes_back_after_the_start_and_before_the_pass():
    late, never = [], 0
    for seed in (3, 4, 5, 6):
        for x in evening(seed).exchanges:
            back = x["hand_back_utc_s"]
            if back is None:
                never += 1
                assert x["outcome"] == "not passed"
                assert x["steps_to_hand_back"] is None
                continue
            assert x["go_utc_s"] + 0.5 < back
            # on the grid on which both run, as the pass is
            since = (back - x["start_utc_s"]) / people.DT
            assert since == pytest.approx(round(since), abs=1e-3)
            if x["outcome"] == "passed":
                assert back <= x["pass_utc_s"]
                assert 0 < x["steps_to_hand_back"] <= x["steps_to_pass"]
                late.append(x["pass_utc_s"] - back)
    assert never
    assert 0.1 < np.median(late) < 1.0


def test_a_film_is_read_at_its_frames_and_as_wrong_as_is_said(look):
    errors = []
    for chance in range(1, 7):
        truth = look(Film(view="all", frames_per_s=50.0, sd_s=0.02), chance=chance)
        frames = np.array([float(line["time_s"]) * 50 for line in lines_of(truth, "film")])
        assert frames == pytest.approx(np.round(frames), abs=1e-6)
        errors += errors_s(truth, "film")
    assert len(errors) > 150
    # so many: the spread is known to a sixteenth
    assert np.std(errors) == pytest.approx(0.02, rel=0.2)
    assert np.mean(errors) == pytest.approx(0.0, abs=0.006)


def test_a_films_clock_is_its_own_and_near_utc_is_good_to_two_minutes(look):
    told = [look(Film(), chance=chance).observers[0] for chance in range(20)]
    offs = [x["near_utc_s"] - x["zero_utc_s"] for x in told]
    rates = [x["rate_ppm"] for x in told]
    assert len({x["zero_utc_s"] for x in told}) == 20
    assert all(min(row["true_utc_s"] for row in x["rows"]) > x["zero_utc_s"] for x in told)
    assert 60 < np.abs(offs).max() < 121
    assert 25 < np.abs(rates).max() <= 50


def test_near_utc_is_left_out_where_nobody_knows(look):
    truth = look(Film(near_off_s=None))
    assert "near_utc" not in (truth.folder / "session.toml").read_text().split("[[observer]]")[1]


@pytest.mark.parametrize("view", list(observers.VIEWS))
def test_only_what_is_in_view_is_written(look, view):
    truth = look(Film(view=view))
    events = [line["event"] for line in lines_of(truth, "film")]
    assert set(events) == set(observers.VIEWS[view])
    assert events.count("pass") == sum(x["outcome"] == "passed" for x in truth.exchanges)


def test_misread_rows_are_as_many_and_as_wrong_as_the_truth_says(look):
    slips, errors = [], []
    for chance in range(4):
        film = Film(view="all", frames_per_s=240.0, sd_s=0.0013, misread_share=0.5)
        truth = look(film, chance=chance)
        slips += [row["misread_s"] for _, row in with_truth(truth, "film")[1]]
        errors += errors_s(truth, "film")
    assert errors == pytest.approx(slips, abs=0.006)
    wrong = np.abs([x for x in slips if x != 0])
    assert 0.4 < len(wrong) / len(slips) < 0.6
    assert 0.2 < np.mean(wrong > 0.005) < 0.5
    assert wrong[wrong > 0.005].min() >= 0.1
    assert wrong.max() <= 1.0


def test_somebody_sees_every_first_movement_late_and_nothing_else(look):
    film = Film(view="all", frames_per_s=240.0, sd_s=0.0013, go_bias_s=0.04)
    truth = look(film)
    errors = errors_s(truth, "film")
    for (line, _), error in zip(with_truth(truth, "film")[1], errors, strict=True):
        assert error == pytest.approx(0.04 if line["event"] == "go" else 0.0, abs=0.006)


def test_rows_are_missing_as_often_as_is_said(look):
    whole = len(lines_of(look(Film(view="all")), "film"))
    kept = [
        len(lines_of(look(Film(view="all", missing_share=0.3), chance=k), "film")) for k in range(6)
    ]
    assert np.mean(kept) / whole == pytest.approx(0.7, abs=0.1)


def test_places_of_passes_are_seen_to_some_tenths(look):
    off = []
    for chance in range(3):
        truth = look(Film(place_sd_m=0.4), chance=chance)
        place = {x["rep"]: x["pass_m"] for x in truth.exchanges}
        for line in lines_of(truth, "film"):
            if line["event"] == "pass":
                assert float(line["sd_m"]) == 0.4
                off.append(float(line["place_m"]) - place[int(line["rep"])])
            else:
                assert not line["place_m"]
    assert len(off) > 15
    assert np.std(off) == pytest.approx(0.4, rel=0.5)


def test_gates_are_broken_a_body_ahead_of_the_trunk(look):
    truth = look(Gates())
    told, rows = with_truth(truth, "gates")
    assert {row["gate"] for _, row in rows} == {"gate-entry", "gate-middle", "gate-exit"}
    noise, leads = [], {}
    for line, row in rows:
        at = datetime.fromisoformat(line["time_utc"]).timestamp()
        noise.append(at - row["true_utc_s"])
        body = truth.bodies[row["runner"]]
        trunk = np.interp(row["true_utc_s"], truth.grid_s, body.l_m) - truth.session["entry_l_m"]
        ahead = told["places_m"][row["gate"]] - trunk
        assert ahead == pytest.approx(row["lead_m"], abs=1e-3)
        assert row["true_utc_s"] < row["trunk_utc_s"]
        leads.setdefault(row["runner"], []).append(ahead)
    assert np.std(noise) == pytest.approx(0.003, rel=0.5)
    for runner, metres in leads.items():
        usual = told["lead_m"][runner]
        assert 0.15 <= usual <= 0.40
        assert usual - 1e-3 <= min(metres) <= max(metres) <= usual + 0.15 + 1e-3


def test_the_whole_system_of_gates_may_be_late(look):
    early, late = (look(Gates(offset_s=by)) for by in (0.0, 0.25))
    for one, other in zip(lines_of(early, "gates"), lines_of(late, "gates"), strict=True):
        moved = datetime.fromisoformat(other["time_utc"]) - datetime.fromisoformat(one["time_utc"])
        assert moved.total_seconds() == pytest.approx(0.25, abs=0.0011)


@pytest.mark.parametrize("zero", ["entry", "go"])
def test_a_stopwatch_counts_from_its_own_press(look, zero):
    truth = look(Watch(zero=zero))
    moments = {x["rep"]: x for x in truth.exchanges}
    for line in lines_of(truth, "watch"):
        x = moments[int(line["rep"])]
        if line["event"] == zero:
            assert float(line["time_s"]) == 0
        since = x[f"{line['event']}_utc_s"] - x[f"{zero}_utc_s"]
        assert float(line["time_s"]) == pytest.approx(since, abs=4.5 * 0.15 * 2**0.5)


def test_clips_have_a_zero_each(look):
    truth = look(Film("clips", clock="rep", use="check"))
    told, rows = with_truth(truth, "clips")
    assert (told["clock"], told["use"], told["zero_utc_s"]) == ("rep", "check", None)
    zeros = {row["rep"]: row["true_utc_s"] - float(line["time_s"]) for line, row in rows}
    starts = {x["rep"]: x["start_utc_s"] for x in truth.exchanges}
    assert all(0 < starts[rep] - zero < 5 for rep, zero in zeros.items())
    text = (truth.folder / "session.toml").read_text().split("[[observer]]")[-1]
    assert 'clock = "rep"' in text
    assert 'use = "check"' in text


def test_without_a_sheet_rows_name_the_runners(look):
    truth = look(Film(), Gates(), sheet=False)
    for name in ("film", "gates"):
        for line, row in with_truth(truth, name)[1]:
            x = truth.exchanges[row["exchange"] - 1]
            assert (line["incoming"], line["outgoing"]) == (x["incoming"], x["outgoing"])
            assert "rep" not in line


def test_half_of_the_reps_are_filmed_and_the_truth_says_which(look):
    for seed in range(40):
        films = observers.draw_observers(seed)
        assert films == observers.draw_observers(seed)
        assert all("pass" in observers.VIEWS[film.view] and film.sd_s == 0.02 for film in films)
    for seed in range(4):
        truth = look(*observers.draw_observers(seed), chance=seed)
        watched = {k for told in truth.observers for k in told["watched"]}
        seen = {row["exchange"] for told in truth.observers for row in told["rows"]}
        assert len(watched) == 4
        assert seen <= watched
        for x in truth.exchanges:
            assert bool(x["seen_by"]) is (x["exchange"] in seen)
    drawn = [observers.draw_observers(seed) for seed in range(40)]
    assert {len(films) for films in drawn} == {1, 2}
    assert {film.view for films in drawn for film in films} == set(observers.VIEWS)


@pytest.mark.parametrize("kind", list(observers.SLIPS))
def test_a_slip_spoils_the_rows_it_names_and_no_others(look, kind):
    truth = look(Film(view="all"))
    before = lines_of(truth, "film")
    wrong = observers.plant_slip(truth, "film", kind, 1)
    after = lines_of(truth, "film")
    pairs = list(zip(before, after, strict=True))
    assert {int(b["rep"]) for a, b in pairs if a != b} == set(wrong)
    off = np.array([float(b["time_s"]) - float(a["time_s"]) for a, b in pairs])
    if kind == "half a second off":
        assert sorted(np.abs(off))[-2:] == pytest.approx([0.0, 0.5])
    elif kind == "clock begun again":
        assert float(next(b for b in after if int(b["rep"]) in wrong)["time_s"]) < 21
        assert off[off != 0] == pytest.approx(off[-1])
    elif kind == "two events swapped":
        assert off.sum() == pytest.approx(0.0)
        assert np.count_nonzero(off) == 2
    else:
        assert not off.any()
        assert min(wrong) > 2


def test_another_sessions_film_takes_the_place_of_this_one(look):
    truth, other = look(Film()), look(Film(), seed=4)
    observers.swap_films(truth, "film", other, "film")
    assert lines_of(truth, "film") == lines_of(other, "film")

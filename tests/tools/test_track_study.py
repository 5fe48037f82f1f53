"""The study of the rule at the track: its moves are those that the card prints."""

import numpy as np
import track_study as study

ROWS = len(study.FEET)


def played(near, far, start=0, reps=8):
    shares = (np.full(ROWS, near), np.full(ROWS, far))
    return study.play(*shares, start, reps, np.random.default_rng(1))


def test_two_in_a_row_move_the_mark_a_foot_and_begin_anew():
    at, first = played(near=0.0, far=1.0)
    assert set(at) == {-4}  # after the 2nd, 4th, 6th and 8th
    assert set(first) == {-1}  # nearer
    assert set(played(near=1.0, far=0.0, reps=3)[0]) == {1}


def test_one_alone_moves_nothing():
    assert set(played(near=0.0, far=1.0, reps=1)[0]) == {0}
    at, first = played(near=0.0, far=0.0)
    assert (set(at), set(first)) == ({0}, {0})


def test_moves_come_as_often_as_two_in_a_row_do():
    _, first = played(near=0.0, far=0.3, reps=2)
    share = np.mean(first == -1)
    assert abs(share - 0.09) < 4 * np.sqrt(0.09 * 0.91 / study.PLAYED)

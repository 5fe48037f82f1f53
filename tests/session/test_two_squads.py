"""Two squads at once in neighbouring lanes: nobody is paired with a runner of the other squad."""

import mishaps
import pytest
import simulate
from calm_squads import CALM

from pipeline.session.process import make_session_tables

BRIEF = CALM | {"n_reps": 6, "spacing_s": 25.0, "place": "bend", "squad_seed": 3}
FIRST = ("alder", "bittern", "clover", "dormouse")
SECOND = ("elder", "fennel", "gannet", "hazel")
FIRST_ROWS = range(1, 7)


@pytest.fixture(scope="module")
def evening(tmp_path_factory):
    """The two sessions, the second moved so that their third reps meet."""
    home = tmp_path_factory.mktemp("two-squads")
    begin = 1778602800.0
    one = simulate.make_session(home / "one", 3, lane=4, names=FIRST, start_utc_s=begin, **BRIEF)
    other = simulate.make_session(
        home / "trial", 1003, lane=5, names=SECOND, start_utc_s=begin, **BRIEF
    )
    late = one.exchanges[2]["entry_utc_s"] - other.exchanges[2]["entry_utc_s"] + 0.3
    begin += round(late / simulate.DT) * simulate.DT
    other = simulate.make_session(
        home / "other", 1003, lane=5, names=SECOND, start_utc_s=begin, **BRIEF
    )
    return one, other, mishaps.join(one, other, home / "both")


def rewrite(path, keep=lambda _row: True, order=None):
    """The sheet without times, with some of its rows."""
    rows = [row | {"start_utc": ""} for row in mishaps._read_sheet(path.parent) if keep(row)]
    mishaps._write_sheet(path.parent, sorted(rows, key=order) if order else rows)


def of_first(row):
    return int(row["rep"]) in FIRST_ROWS


def test_every_takeover_is_its_own_squads_and_has_its_row(evening):
    *truths, path = evening
    ran = sorted(
        (x["rep"] + 100 * k, x["lane"], x["incoming"], x["outgoing"])
        for k, truth in enumerate(truths)
        for x in truth.exchanges
    )
    entries = [[x["entry_utc_s"] for x in truth.exchanges] for truth in truths]
    assert min(abs(a - b) for a in entries[0] for b in entries[1]) < 1.0

    def measured():
        tables = make_session_tables(path, None)
        rows = tables.tables["exchanges"].to_pylist()
        return rows, tables.remarks

    def named(rows):
        return sorted((r["rep"], r["lane"], r["incoming"], r["outgoing"]) for r in rows)

    rows, remarks = measured()
    assert named(rows) == ran
    assert not remarks
    # One squad's rows first, then the other's, and no times.
    rewrite(path, order=lambda row: int(row["rep"]))
    rows, remarks = measured()
    assert named(rows) == ran
    assert not remarks
    # The other squad is not in the sheet at all.
    rewrite(path, keep=of_first)
    rows, remarks = measured()
    assert named([r for r in rows if r["rep"] is not None]) == [r for r in ran if r[0] < 100]
    others = [(r["incoming"], r["outgoing"]) for r in rows if r["rep"] is None]
    assert sorted(others) == sorted(r[2:] for r in ran if r[0] >= 100)

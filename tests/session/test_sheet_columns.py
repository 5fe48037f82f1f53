"""A sheet with all its columns, written as people write them, measured: what `exchanges` says."""

from __future__ import annotations

import small_sessions as small

HEAD = (
    "rep;zone;lane;incoming;outgoing;mark_m;outgoing_start_m;incoming_start_m;start_utc;pass_m;"
    "note;effort;drill;use;technique;hand;wind_mps;race\n"
)
ROWS = (
    "1;2;1;adder;wren;5,4;3,0;52;21.05.2026 18:56;;first;80 %;;;up;L;+1,2;\n"
    "2;2;1;wren;adder;9,8;0,0;38;5/21/2026 18:57;;;;Build up;;;;;\n"
    "3;;;adder;teal;8,6;3,0;43;18h59;;;;;yes;push pass;right;-0,4 m/s;Heat\n"
    "4;2;1;wren;adder;9,8;0,0;38;6:59:38 pm;;;0.8;;;;;;\n"
)
MORE = """
[[runner]]
id = "first"

[[runner]]
id = "last"

[[race]]
id = "heat"
lane = 1
team = ["first", "adder", "teal", "last"]
"""
COLUMNS = ("rep", "zone", "effort", "drill", "use", "technique", "hand", "wind_mps", "race", "note")
EXPECTED = [
    (1, 2, 80.0, None, None, "upsweep", "left", 1.2, None, "first"),
    (2, 2, None, "build-up", None, None, None, None, None, None),
    (3, 2, None, None, "yes", "push", "right", -0.4, "heat", None),
    (4, 2, None, None, "no", None, None, None, None, None),
]


def test_all_columns_of_the_sheet_stand_in_exchanges(tmp_path) -> None:
    folder = small.copied("plain", tmp_path)
    (folder / "reps.csv").write_text(HEAD + ROWS, encoding="utf-8")
    small.replace(folder / "session.toml", "lane = 1\n", 'lane = 1\ntime_zone = "Europe/Zurich"\n')
    small.edit(folder / "session.toml", lambda text: text + MORE)
    found = small.run(folder)
    rows = sorted(found.exchanges, key=lambda row: row["rep"] or 0)
    assert [tuple(row[name] for name in COLUMNS) for row in rows] == EXPECTED
    before = small.processed("plain").exchanges
    for name in ("incoming", "outgoing", "mark_m", "outgoing_start_m", "incoming_start_m"):
        assert [row[name] for row in rows] == [row[name] for row in before]
    assert {row["date"] for row in rows} == {"2026-05-21"}
    assert {row["time_zone"] for row in rows} == {"Europe/Zurich"}
    said = " ".join(found.remarks)
    assert 'reps.csv, line 5: effort: "0.8" is not within 1 to 100; did you mean 80?' in said
    assert "h ahead of the recordings" not in said  # the times are local, and so they are read

"""A unit that is stopped and started again writes several files: they are one recording."""

from __future__ import annotations

import csv

import pytest
import small_sessions as small


def split(folder, name: str, at: float) -> None:
    """A runner's CSV cut into two files at a share of its rows, both named in session.toml."""
    path = folder / f"{name}.csv"
    with path.open() as file:
        head, *rows = list(csv.reader(file))
    cut = int(at * len(rows))
    for name_of_part, part in ((path.name, rows[:cut]), (f"{name}-2.csv", rows[cut:])):
        with (folder / name_of_part).open("w", newline="") as file:
            csv.writer(file).writerows([head, *part])
    with (folder / "session.toml").open("a") as file:
        file.write(f'\n[[recording]]\nrunner = "{name}"\nfile = "{name}-2.csv"\n')


def measured(folder) -> list[tuple]:
    rows = small.run(folder).exchanges
    return [(r["incoming"], r["outgoing"], r["outcome"], r["zone_time_s"]) for r in rows]


def test_files_one_after_the_other_give_what_one_file_gives(tmp_path):
    whole = small.copied("plain", tmp_path / "whole")
    parted = small.copied("plain", tmp_path / "parted")
    for name in ("wren", "adder", "teal"):
        split(parted, name, 0.5)
    before, after = measured(whole), measured(parted)
    assert [row[:3] for row in after] == [row[:3] for row in before]
    assert [row[3] for row in after] == pytest.approx([row[3] for row in before], abs=0.02)


def test_accelerometers_of_several_files_are_joined(tmp_path):
    whole = small.copied("sensed", tmp_path / "whole")
    parted = small.copied("sensed", tmp_path / "parted")
    for path in sorted(parted.glob("*.csv")):
        if path.stem in small.NAMES:
            split(parted, path.stem, 0.6)

    def steps(folder):
        return [row["steps_to_pass"] for row in small.run(folder).exchanges]

    assert steps(parted) == steps(whole)

"""Which of a runner's two satellite units is used: running seen near the lane counts, and a unit
on a wrist counts for four fifths of one on the trunk."""

import shutil

import pytest
import small_sessions as small

LATE_S = (
    2.0  # the clock of the unit on the wrist: at 9 m/s the two disagree by 18 m, and it is said
)


def used_unit(folder, trunk_share):
    """The file that was used for one runner, who wears a second unit on the wrist; of its fast
    fixes the one on the trunk has kept this share."""
    name = "adder"
    trunk, wrist = folder / f"{name}.csv", folder / f"{name}-wrist.csv"
    shutil.copy(trunk, wrist)
    small.later(wrist, LATE_S)
    kept = [0]

    def thinned(row):
        if float(row["speed_mps"] or 0.0) <= 5.0:
            return row
        kept[0] += 1
        whole = int(kept[0] * trunk_share) - int((kept[0] - 1) * trunk_share)
        return row if whole else None

    small.each_row(trunk, thinned)
    with (folder / "session.toml").open("a") as file:
        file.write(f'\n[[recording]]\nrunner = "{name}"\nfile = "{wrist.name}"\n')
        file.write('worn = "left-wrist"\n')
    remarks = [r for r in small.run(folder).remarks if r.startswith(name) and "disagree" in r]
    (remark,) = remarks
    return remark.rpartition("; ")[2].removesuffix(" was used")


@pytest.mark.parametrize(("trunk_share", "unit"), [(0.88, "adder.csv"), (0.68, "adder-wrist.csv")])
def test_a_unit_on_a_wrist_is_worth_four_fifths(tmp_path, trunk_share, unit):
    assert used_unit(small.copied("plain", tmp_path), trunk_share) == unit

"""A session.toml with every table that version 1 knows, to be changed and read."""

SESSION = """\
[session]
id = "otter-evening"
date = 2026-05-12
venue = "venue.geojson"
event = "4x100"
lane = 4
reps = "reps.csv"

[[runner]]
id = "robin"
foot_m = 0.30

[[runner]]
id = "wren"

[[recording]]
runner = "robin"
file = "robin.fit"
worn = "waist"

[[recording]]
runner = "wren"
file = "wren.csv"
clock = "device"
columns = { time = { column = "ms", unit = "ms" }, acc_x = { column = "ax_g", unit = "g" } }

[[sync]]
kind = "tap"
near_utc = 2026-05-12T17:03:20Z
window_s = 8
"""

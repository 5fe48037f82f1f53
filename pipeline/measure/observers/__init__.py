"""What observers saw, tied to the units' clock and used in the estimate.

`rows` (which takeover a row may mean), `told` (what the fits say of the same moments), `ties` (an
observer's clock), `evidence` (rows as measurements of a takeover), `comparing` (the table).
"""

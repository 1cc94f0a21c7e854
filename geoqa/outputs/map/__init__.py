"""Drawings become map.html, one self-contained page that asks the network for nothing unless its reader does.

Comes in: drawings of the layers and what stands beside them. Goes out: a page with packed columns that its scripts in
`outputs/static` unpack. No step lives here; the layers are in `outputs/layers`.

Positions are whole steps of a millimetre in EPSG:3857, lengths of a tenth of one on the ground; equal columns are
stored once, and what a reader can guess is stored as what the guess misses (`packing`). Vectors and azimuths stay in
the grid; `turn_deg` turns them to true north where they are drawn. Without a shift the review judges again the steps
that lead to `points.deliver` (`Again.without`); under other tolerances `point_status.tried` does, on a ladder of
factors, of each point only as far up as a factor can change it.
"""

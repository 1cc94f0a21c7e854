"""What the stated precision is worth on this site, by canopy class: prior, pairs of visits, mixture, table.

Comes in: `closures` and `occupations`. Goes out: `classes`, `gross_scales`, the shares of each status, calibration by
procedure. Steps: first-calibration, calibration, class-shares, calibration-by-procedure.
"""

"""Map layers, one class a module: frames in, drawings out, and never markup, so that no text of a file can act.

Steps: points-on-map, ellipses-on-map, closures-on-map, control-on-map, zones-on-map, revisits-on-map, shifts-on-map,
site-boundary, cover-areas, canopy-raster, online-background. What a click shows and where things stand is here too.
"""

#: Titles of the drawings that tables of the key open.
POINTS, SHIFTS, ZONES = "Points", "Shifts", "Problem zones"

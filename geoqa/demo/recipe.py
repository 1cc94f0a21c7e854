"""The recipe of the demo site, written to be read by somebody who writes a first one."""

RECIPE = """\
# How geoqa is to read and judge the occupations of Totara Saddle, an invented place.
# Copy this file and change it for a job of your own. A line that starts with # is a comment.

[site]
name = "Totara Saddle"
crs = "EPSG:2193"                  # New Zealand Transverse Mercator 2000; east always comes first
height = "NZVD2016"                # what the heights are above; two references are never mixed

[input]
unit = "m"                         # of the coordinates: m, ft (international) or ftUS (US survey)
unit_height = "m"                  # if left out, the same as unit
unit_precision = "m"               # likewise
precision = "sigma"                # SigmaH is one standard deviation per axis, not a 95 % radius
precision_v = "sigma"              # SigmaV is one standard deviation of the height
time_format = "iso"                # 2026-02-09T08:15:30
timezone = "Pacific/Auckland"      # the times are local and do not carry a zone
initialization = "column"          # a column says under which initialization each row was measured
delimiter = ","
header = true                      # the first line holds the headings
skip = 0                           # no lines before it
comment = "#"
decimal = "."
where = "Deleted != 'Y'"           # rows marked as deleted are set aside, and counted
max_bad_rows = 0.20                # more unreadable rows than this share stop the run

# Which heading holds what: on the left geoqa's word, on the right the file's.
[input.columns]
point = "Mark"
easting = "East"
northing = "North"
height = "Height"
precision_h = "SigmaH"
precision_v = "SigmaV"
start = "Start"
end = "End"
initialization = "Init"
base = "Base"
base_distance = "BaseDist"
operator = "Crew"
antenna_height = "AntHt"
canopy = "Cover"
role = "Role"
method = "Method"
origin = "Origin"
solution = "Solution"
satellites = "Sats"
pdop = "PDOP"
note = "Note"

# The file's words on the left, geoqa's (or your own, for canopy and role) on the right.
[input.values.solution]
"RTK FIX" = "fixed"
"RTK FLT" = "float"

[input.values.method]
"DIRECT" = "direct"
"STAKE" = "staking"

[input.values.origin]
"MEAS" = "measured"
"KNOWN" = "control"                # the coordinate of a control point, from an earlier survey
"AVG" = "averaged"                 # made in the office from other rows: it proves nothing new

[input.values.canopy]
"OPEN" = "open"
"LIGHT" = "light"
"BROADLEAF" = "broadleaf"
"PINE" = "dense conifer"

[input.values.role]
"BDY" = "corner"
"TRK" = "track"
"TOPO" = "topo"
"CTL" = "control"

[match]
by = "name"                        # rows with the same name are the same point

# The largest difference between two occupations that this job accepts. There is no default: a
# surveyor answers for these numbers.
[tolerance]
horizontal_m = 0.05
horizontal_ppm = 0.0               # added per distance to the base
vertical_m = 0.08
vertical_ppm = 0.0
convention = "closure"             # compare two occupations with each other, not with their mean

# The largest error that this job accepts in a delivered coordinate, and how sure it must be.
[requirement]
horizontal_m = 0.05
vertical_m = 0.10
confidence = 0.95
judge = "hv"                       # horizontal and vertical both decide

# A role not named here has the values above.
[roles.topo]
single_by_plan = true              # ground shape: one occupation each was planned
fresh_fix_suffices = true

[roles.track]
fresh_fix_suffices = true          # two fixes of one visit are enough for a walking track

[roles.track.tolerance]
horizontal_m = 0.10
vertical_m = 0.15

[roles.track.requirement]
horizontal_m = 0.15
vertical_m = 0.20

# How well the base's own coordinate is known: no comparison of occupations can show its error.
[base]
sigma_h_m = 0.010
sigma_v_m = 0.015

# Where the known coordinates come from. Without it no accuracy is stated: control that this survey
# itself made, or was fitted to, agrees with it whatever its error.
[control]
source = "static survey of the district network, 2024"
oriented_by = []                   # known points the job was fitted to would be named here: they are no check
bases = []                         # likewise marks that a base stood on

# What the report names beside what it computes. What is left out it says is not stated.
[report]
client = "Totara Saddle Trust (invented)"
project = "Boundary and track survey"
prepared_by = "Ridge and Valley Surveys (invented)"
equipment = "two receivers on 2 m poles"
corrections = "a base of one's own"
base_coordinates = "those of the known marks the bases stood on"
base_source = "static survey of the district network, 2024"
datum = "NZGD2000"
epoch = "2000.0"

# Corners in their order: how precise one is relative to the next. Only the surveyor knows which are adjacent.
[[line]]
name = "north-west boundary"
points = ["TS105", "TS106", "TS107", "TS108", "TS109", "TS110", "TS111", "TS112"]

[[line]]
name = "south boundary"
points = ["TS186", "TS187", "TS188", "TS189", "TS190", "TS191"]
"""

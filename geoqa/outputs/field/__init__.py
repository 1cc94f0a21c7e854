"""What a crew takes along: the field sheet with its sketch of the walk, and waypoints for a receiver.

Comes in: `revisits`, `occupations`, `points` and `zones`. Goes out: revisits.html and revisits.gpx; revisits.csv is
written by `outputs/csv_tables`. No step lives here.
"""

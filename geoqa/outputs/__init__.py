"""From frames to files; the only part that draws. What all outputs share, and the outputs that are one module.

Comes in: frames, the job and the record. Goes out: review.gpkg with its styles and project, points.csv, revisits.csv,
run.json and the summary, written into one folder as a set; and, of many jobs, their tables and overview. No step lives
here.
"""

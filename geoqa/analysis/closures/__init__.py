"""Every pair of occupations of a point: the difference, how independent the two are, tolerance and test.

Comes in: `occupations` with visits. Goes out: `closures` with status, and which rows are copies of others. Steps:
closures, closure-status.
"""

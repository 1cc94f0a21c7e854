"""What every other wing stands on: which rows count, what they are compared with, how precise, and which visit.

Comes in: `occupations` and the job. Goes out: direct rows as arrays, base set-ups, expected covariances, tolerances
by role, means of fixes and visits. Step: visits.
"""

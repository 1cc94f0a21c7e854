"""What to observe again: which points, what to do there, when, with what chance, and in which order to walk.

Comes in: `points` with delivery, `occupations` and `classes`. Goes out: `revisits`, the list that the field sheet and
the map show. Step: revisits.
"""

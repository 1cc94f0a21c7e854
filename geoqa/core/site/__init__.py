"""Many files become one site: rows stacked, labels united, names matched to points, decisions of a reviewer put on.

Comes in: `occupations` as readers give them, and the job. Goes out: `occupations` of the whole site, with messages of
what was united, matched, decided or corrected. No step lives here.
"""

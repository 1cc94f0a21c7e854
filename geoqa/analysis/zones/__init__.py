"""Where it is bad beyond chance: spatial clusters of bad points, and neighbours that are all off the same way.

Comes in: `points`, `closures`, `occupations` and shifts. Goes out: `zones` with outlines and sentences, and
`points.zone`. Step: zones.
"""

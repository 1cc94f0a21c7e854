"""Where it is bad beyond chance: spatial clusters of bad points, and neighbours that are all off the same way.

Comes in: `points`, `closures`, `occupations` and shifts. Goes out: `zones` with outlines and sentences, and
`points.zone`. Step: zones.

`_evidence` (what each point says, and what one base set-up has too much beside the others), `local_statistics` of core
(exact and drawn tails, Benjamini and Hochberg), `_search` with outlines, `_table` with words. Only where things happen
is tested, never how often on the whole site. The level is split over the statistics that the evidence allows.
"""

"""The status of a point, its coordinate, the risk that it rests on a wrong fix, and whether it may be delivered.

Comes in: `occupations`, `closures` and `classes`. Goes out: `points`, column by column, `repeats`, and how large an
error could go unseen. Steps: point-status, combination, uncertainty, repeats, risk, delivery, detectability,
detection, pairs-needed.
"""

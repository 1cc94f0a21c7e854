"""Comparison with what was known before: control points, daily check shots, stakes beside their design.

Comes in: `occupations`, `points` and known coordinates. Goes out: `control_checks`, `check_log`, `check_shots`,
stakes and averages. Steps: control-checks, check-log, stakes, averages.
"""

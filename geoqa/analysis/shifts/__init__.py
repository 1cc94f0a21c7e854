"""Errors that occupations share and closures cannot see: base coordinate, antenna height, unit, localization, name.

Comes in: `occupations`, `closures`, `classes` and known coordinates. Goes out: `shifts` and `shifted`, with what each
looks like and what to do. Steps: shifts, shifts-explain.
"""

"""What may be claimed of the site, one published standard a module, each in its own terms with its source.

Comes in: `points`, `control_checks` and what the recipe asks for. Goes out: `statements`, `statement_conditions`,
`line_precision` and the class of each point. Steps: statements, line-precision, real-time-classes.
"""

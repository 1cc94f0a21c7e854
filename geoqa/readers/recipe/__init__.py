"""A recipe becomes a job: TOML or a plain mapping read, its tables checked, every fault reported at once.

Comes in: the path or the mapping of a recipe. Goes out: the job, complete with every default, and the faults with the
line to write instead. No step lives here; what a job holds is declared in `core`.
"""

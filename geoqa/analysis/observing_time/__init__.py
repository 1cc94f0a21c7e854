"""How long crews waited for a fix and how long an occupation must be, from the epochs of receiver logs.

Comes in: `epochs` and `occupations`. Goes out: `convergence`, `waits`, `wait_tests`, `durations`; nothing where there
are no logs. Steps: convergence, durations.
"""

"""What to observe again: which points, what to do there, when, with what chance, and in which order to walk.

Comes in: `points` with delivery, `occupations` and `classes`. Goes out: `revisits`, the list that the field sheet and
the map show. Step: revisits.

The chance of one more visit is counted, not modelled: `_success_rates` judges every point as its first one, two, ...
visits left it and looks at what the visit that followed made of it, by class and status. `_candidates` says who is
listed, in which order, and what to do (the first rule that holds), `_visit_times` when and for how long, `_walk` in
which order.
"""

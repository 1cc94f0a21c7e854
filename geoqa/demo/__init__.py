"""The demo site: Totara Saddle, an invented forest remnant in New Zealand, and the truth behind it.

A seeded simulation that writes the same bytes everywhere: random numbers come from
`random.Random.random` alone and coordinates are whole millimetres. Nothing in it was observed.

fieldwork -> files: the marks and the trees, the visits and what the receiver stores, what goes wrong afterwards, and
the files, with receiver logs beside them.
"""

from geoqa.demo.files import truth_rows, write_logs, write_site, write_truth

__all__ = ["truth_rows", "write_logs", "write_site", "write_truth"]

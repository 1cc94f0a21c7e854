"""Plots as SVG text that may stand in any page: frames in, the same bytes out every time, in one style.

Steps, declared in `steps`: waits-plot, durations-plot, positions-plot, series-plot, closures-plot, canopy-plot,
classes-plot. What each draws is in the module of its topic.
"""

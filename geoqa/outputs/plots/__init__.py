"""Plots of receiver logs as SVG text: frames in, the same bytes out every time."""

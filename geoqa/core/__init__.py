"""The ground that every other room stands on: what a recipe states, what a step is, how files of others are opened.

Comes in: nothing of geoqa. Goes out: errors, declared parameters, units and clocks, the job, the five kinds of step
and what they hand over, coordinate systems, rasters, vector files and the set of files in an output folder. No step
lives here.
"""

"""From files to frames; one module a format, with its own kernels beside it.

Comes in: a file of others and the job. Goes out: `occupations` and `set_aside`, each row accounted for, or a proposed
recipe. Steps: delimited, landxml, vector, xlsx; nmea has a room of its own. Small tables beside the recipe, canopy
files and the frames of an earlier review are read here too.
"""

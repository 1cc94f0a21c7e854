"""The front door: files are read, steps are run, what they gave is kept, and the files of a review are written.

Comes in: paths and a recipe, or the folder of an earlier review. Goes out: a `Review` and, by its `write`, one set of
files. Readers are detected, installed layers, plots and writers are configured here. No step lives here.
"""

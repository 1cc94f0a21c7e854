"""Arrays in, arrays out: sorted groups, averages, rank tests, curves, local statistics, mixtures, ellipses.

Nothing here knows a recipe's tolerance or a status, so every room above may stand on it, and each method names its
source. No step lives here.
"""

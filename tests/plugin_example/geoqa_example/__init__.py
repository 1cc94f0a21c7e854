"""Steps for geoqa: a reader of line books, an analysis step, and a map layer."""

"""Files of delivered points for the software of other people, one module a format, written on request.

Comes in: a deliverable, the columns in the job's order and unit. Goes out: one file, the same bytes for the same
points. Steps: csv-file, dxf-file, geojson-file, geoparquet-file, gpx-file, kml-file, landxml-file, xlsx-file.
"""

"""Receiver logs in NMEA 0183: from bytes to sentences, epochs, stops, and the occupations found in them.

Comes in: log files that may continue one another, and field notes of who stood where. Goes out: `epochs`,
`occupations` and `set_aside`, file by file. Step: nmea.
"""

"""How a desktop GIS draws the layers of the GeoPackage: one set of rules, written in two languages."""

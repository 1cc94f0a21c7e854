"""Files of points for other people's software, one module a format."""

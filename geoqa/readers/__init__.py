"""From files to frames."""

"""From frames to files; the only part that draws."""

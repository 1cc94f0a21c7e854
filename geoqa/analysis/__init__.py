"""From frames to judged frames."""

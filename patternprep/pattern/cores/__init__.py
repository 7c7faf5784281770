"""Cores: holes found as closed voids, prints that carry the cores, and boxes to ram them in."""

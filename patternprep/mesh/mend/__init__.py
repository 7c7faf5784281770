"""Mending what a part file got wrong, and telling by how much."""

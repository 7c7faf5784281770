"""Meshes: reading, mending, checking, writing, solids and faces."""

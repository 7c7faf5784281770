"""Foundry figures as pure functions: one formula, one function, no mesh in it."""

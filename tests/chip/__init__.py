"""Opt-in tests on a whole chip: see README.md in this folder."""

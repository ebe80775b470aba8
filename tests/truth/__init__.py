"""Invented nights whose every cause is known, for scoring the analysis. Nothing here was measured."""

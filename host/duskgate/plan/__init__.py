"""Formulas for planning a night: pure numbers in, pure numbers out."""

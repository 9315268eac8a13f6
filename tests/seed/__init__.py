"""Checks of the invented demo world."""

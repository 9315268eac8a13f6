"""Columns of the design, and what a fit is made of."""

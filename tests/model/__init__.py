"""Tests of the numerics."""

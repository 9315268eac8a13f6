"""Benchmarks: figures printed, nothing asserted. Run by ``python -m tests.benchmarks NAME``."""

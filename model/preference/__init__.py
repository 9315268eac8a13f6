"""The preference model: fitted, laid over a range, and asked about one player."""

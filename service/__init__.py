"""The service: what is kept, what is done with it, and the doors to it."""

VERSION = "0.4.0"
"""Of the whole, as `service/docs/changes.md` tells of it; pyproject.toml says the same."""

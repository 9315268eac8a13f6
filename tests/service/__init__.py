"""Storage, files and commands."""

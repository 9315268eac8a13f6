"""The revisions, each applied once, in order."""
